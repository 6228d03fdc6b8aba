#include "lens/lens.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "lens/bundle.h"

namespace panecard::lens {

namespace {

constexpr std::size_t kMinViews = 6, kMinCorners = 12;
constexpr double kMaxFocalSigma = 0.02;    // relative: beyond, the views hardly differ in tilt
constexpr double kPoorFocalSigma = 0.002;  // 2 mm of 1000: worth another photo
constexpr double kOutlierFactor = 3;       // times the median photo's residual
constexpr double kMinReach = 0.75;         // of the half diagonal that corners should reach

// 99.9 % quantiles of chi-square for one and two parameters.
constexpr double kSignificant1 = 10.8, kSignificant2 = 13.8;

double median(std::vector<double> v) {
  std::nth_element(v.begin(), v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2), v.end());
  return v[v.size() / 2];
}

/// Forward selection by likelihood ratio tests: a parameter that is not needed makes the edge of
/// the photo uncertain.
std::optional<Solution> choose_model(const Bundle& from, const std::vector<View>& views) {
  std::vector<int> free = {photo::kF, photo::kCx, photo::kCy, photo::kK1, photo::kK2};
  auto best = solve(from, views, free);
  if (!best) return std::nullopt;
  struct Step {
    std::vector<int> more;
    double significant;
  };
  for (const Step& step :
       {Step{{photo::kP1, photo::kP2}, kSignificant2}, Step{{photo::kK3}, kSignificant1}}) {
    std::vector<int> wider = free;
    wider.insert(wider.end(), step.more.begin(), step.more.end());
    auto trial = solve(best->bundle, views, wider);
    if (!trial) continue;
    const double unexplained = std::max(1e-12, trial->cost / trial->degrees_of_freedom);
    if ((best->cost - trial->cost) / unexplained > step.significant) {
      best = std::move(trial);
      free = wider;
    }
  }
  return best;
}

std::optional<Finding> check_coverage(const std::vector<View>& views, const photo::Lens& lens) {
  const double half_diagonal = 0.5 * std::hypot(lens.width_px, lens.height_px);
  std::array<double, 4> reach{};  // per quarter of the photo
  for (const View& view : views) {
    for (const card::Corner& corner : view.corners) {
      const double x = corner.seen.x - 0.5 * lens.width_px,
                   y = corner.seen.y - 0.5 * lens.height_px;
      double& r = reach[(x > 0 ? 1U : 0U) + (y > 0 ? 2U : 0U)];
      r = std::max(r, std::hypot(x, y) / half_diagonal);
    }
  }
  const auto least = std::min_element(reach.begin(), reach.end());
  if (*least >= kMinReach) return std::nullopt;
  constexpr std::array<const char*, 4> kNames = {"top left", "top right", "bottom left",
                                                 "bottom right"};
  return Finding{"edges_not_covered",
                 "towards the " +
                     std::string(kNames[static_cast<std::size_t>(least - reach.begin())]) +
                     " corner the sheet was seen only out to " + to_text(100 * *least, 0) +
                     " % of the way from the middle: take one more photo with the sheet there"};
}

/// The views in use and their indices among those given.
struct Selection {
  std::vector<View> views;
  std::vector<std::size_t> place;
};

/// Drops views with a residual over three times the median; each becomes a finding.
Selection drop_outlying_views(const Selection& chosen, const Solution& solved,
                              std::vector<Finding>& findings) {
  const double limit = kOutlierFactor * median(solved.view_rms_px);
  Selection out;
  for (std::size_t i = 0; i < chosen.views.size(); ++i) {
    const View& view = chosen.views[i];
    if (solved.view_rms_px[i] <= limit) {
      out.views.push_back(view);
      out.place.push_back(chosen.place[i]);
      continue;
    }
    findings.push_back(
        {"photo_disagrees", view.name + " does not fit the others (" +
                                to_text(solved.view_rms_px[i], 2) + " px, usual " +
                                to_text(limit / kOutlierFactor, 2) +
                                " px) and was left out: blurred, zoomed or a bent sheet"});
  }
  return out;
}

photo::Lens lens_of(const Solution& solved, const Selection& chosen, int width_px, int height_px) {
  photo::Lens lens;
  lens.width_px = width_px, lens.height_px = height_px;
  lens.value = solved.bundle.lens;
  lens.covariance =
      solved.covariance * std::max(1.0, solved.cost / std::max(1.0, solved.degrees_of_freedom));
  lens.calibrated = true;
  lens.photos = static_cast<int>(chosen.views.size());
  double sum = 0, corners = 0;
  for (std::size_t i = 0; i < chosen.views.size(); ++i) {
    const double n = static_cast<double>(chosen.views[i].corners.size());
    sum += n * solved.view_rms_px[i] * solved.view_rms_px[i];
    corners += n;
  }
  lens.rms_px = std::sqrt(sum / corners);
  return lens;
}

}  // namespace

Result<Calibration> calibrate(const std::vector<View>& given, int width_px, int height_px) {
  Calibration result;
  Selection chosen;
  for (std::size_t i = 0; i < given.size(); ++i) {
    if (given[i].corners.size() < kMinCorners) continue;
    chosen.views.push_back(given[i]);
    chosen.place.push_back(i);
  }
  const auto too_few = [&] {
    return Error{Code::too_few_photos,
                 std::to_string(chosen.views.size()) + " of " + std::to_string(given.size()) +
                     " photos show enough of the sheet, " + std::to_string(kMinViews) +
                     " are needed: take more, tilted in different directions"};
  };
  if (chosen.views.size() < kMinViews) return too_few();
  const Error ambiguous{
      Code::poses_too_alike,
      "the photos are too much alike to tell the lens from the distance: take some with the sheet "
      "tilted by about 30 deg to the left, right, top and bottom"};
  const auto solve_chosen = [&] {
    const auto first = initial_bundle(chosen.views, width_px, height_px);
    return first ? choose_model(*first, chosen.views) : std::nullopt;
  };

  auto solved = solve_chosen();
  if (!solved) return ambiguous;
  const std::size_t before = chosen.views.size();
  chosen = drop_outlying_views(chosen, *solved, result.findings);
  if (chosen.views.size() < kMinViews) return too_few();
  if (chosen.views.size() < before) solved = solve_chosen();
  if (!solved) return ambiguous;

  photo::Lens& lens = result.lens = lens_of(*solved, chosen, width_px, height_px);
  result.view_rms_px.assign(given.size(), 0);
  for (std::size_t i = 0; i < chosen.views.size(); ++i)
    result.view_rms_px[chosen.place[i]] = solved->view_rms_px[i];

  const double focal_sigma =
      std::sqrt(lens.covariance(photo::kF, photo::kF)) / lens.value[photo::kF];
  if (!(focal_sigma < kMaxFocalSigma)) return ambiguous;
  if (focal_sigma > kPoorFocalSigma) {
    result.findings.push_back(
        {"poses_alike", "the focal length is known to " + to_text(200 * focal_sigma, 2) +
                            " % only: add photos with the sheet tilted more"});
  }
  if (const auto coverage = check_coverage(chosen.views, lens)) {
    result.findings.push_back(*coverage);
  }
  return result;
}

}  // namespace panecard::lens
