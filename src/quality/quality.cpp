#include "quality/quality.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/core.hpp>
#include <optional>

namespace panecard::quality {
namespace {

constexpr int kClipped = 253;  // 255 less what JPEG's rounding takes off a clipped area

double grey_at(const cv::Mat& grey, double x, double y) {
  const double u = std::clamp(x - 0.5, 0.0, grey.cols - 1.001);
  const double v = std::clamp(y - 0.5, 0.0, grey.rows - 1.001);
  const int c = static_cast<int>(u), r = static_cast<int>(v);
  const double s = u - c, t = v - r;
  const uchar* a = grey.ptr<uchar>(r) + c;
  const uchar* b = grey.ptr<uchar>(std::min(r + 1, grey.rows - 1)) + c;
  return (1 - t) * ((1 - s) * a[0] + s * a[1]) + t * ((1 - s) * b[0] + s * b[1]);
}

bool clipped_at(const photo::Photo& photo, double x, double y) {
  const int c = std::clamp(static_cast<int>(x), 0, photo.bgr.cols - 1);
  const int r = std::clamp(static_cast<int>(y), 0, photo.bgr.rows - 1);
  const cv::Vec3b p = photo.bgr.at<cv::Vec3b>(r, c);
  return std::max({p[0], p[1], p[2]}) >= kClipped;
}

constexpr int kHalfSamples = 12;  // to either side of the edge
constexpr double kSpacing_px = 0.5;
constexpr int kHalfAlong_px = 3;  // profiles are averaged this far along the edge, either way
constexpr int kSamples = 2 * kHalfSamples + 1;
using Profile = std::array<double, kSamples>;

/// A unit step blurred by a Gaussian and shifted, less its mean; `square` is its squared norm.
struct Template {
  double blur_px = 0, square = 0;
  Profile value{};
};

std::vector<Template> step_templates() {
  std::vector<Template> all;
  for (int b = 0; b <= 16; ++b) {
    const double blur_px = 0.4 * std::pow(2.0, b / 4.0);
    for (int q = -6; q <= 6; ++q) {
      const double shift_px = 0.25 * q;
      Template t;
      t.blur_px = blur_px;
      double mean = 0;
      for (int j = 0; j < kSamples; ++j) {
        const double x = (j - kHalfSamples) * kSpacing_px - shift_px;
        t.value[j] = 0.5 * std::erfc(-x / (blur_px * std::numbers::sqrt2));
        mean += t.value[j] / kSamples;
      }
      for (double& v : t.value) v -= mean;
      for (const double v : t.value) t.square += v * v;
      all.push_back(t);
    }
  }
  return all;
}

struct Step {
  double blur_px = 0, contrast = 0;
};

/// Template matching by least squares: contrast and blur of the best template.
Step match_step(const Profile& profile, const std::vector<Template>& all) {
  Step best;
  double most = -1;
  for (const Template& t : all) {
    double product = 0;
    for (int j = 0; j < kSamples; ++j) product += t.value[j] * profile[j];
    const double explained = product * product / t.square;
    if (explained <= most) continue;
    most = explained;
    best = {t.blur_px, std::abs(product) / t.square};
  }
  // Bilinear interpolation blurs as well: its variance is t (1 - t) px^2, 1/6 on average.
  best.blur_px = std::sqrt(std::max(0.01, best.blur_px * best.blur_px - 1.0 / 6));
  return best;
}

double quantile(std::vector<double> v, double share) {
  if (v.empty()) return 0;
  const auto at = static_cast<std::ptrdiff_t>(share * static_cast<double>(v.size() - 1));
  std::nth_element(v.begin(), v.begin() + at, v.end());
  return v[static_cast<std::size_t>(at)];
}

/// Blur, contrast and clipped share from profiles across the boundary.
void assess_boundary(const photo::Photo& photo, const Contour& contour, PhotoQuality& quality) {
  constexpr std::size_t kProfiles = 240;
  const std::size_t n = contour.points_px.size(), stride = std::max<std::size_t>(1, n / kProfiles);
  const std::vector<Template> all = step_templates();
  std::vector<Step> steps;
  int clipped = 0, total = 0;
  for (std::size_t i = 0; i < n; i += stride) {
    const PointPx at = contour.points_px[i], before = contour.points_px[(i + n - 2) % n],
                  after = contour.points_px[(i + 2) % n];
    const double dx = after.x - before.x, dy = after.y - before.y, length = std::hypot(dx, dy);
    if (!(length > 0)) continue;
    const double tx = dx / length, ty = dy / length;
    Profile profile{};
    for (int j = 0; j < kSamples; ++j) {
      const double off = (j - kHalfSamples) * kSpacing_px;
      for (int k = -kHalfAlong_px; k <= kHalfAlong_px; ++k) {
        const double x = at.x - off * ty + k * tx, y = at.y + off * tx + k * ty;
        profile[j] += grey_at(photo.grey, x, y) / (2 * kHalfAlong_px + 1);
        clipped += clipped_at(photo, x, y) ? 1 : 0;
        ++total;
      }
    }
    if (contour.seen.empty() || contour.seen[i]) steps.push_back(match_step(profile, all));
  }
  quality.glare_share = total > 0 ? static_cast<double>(clipped) / total : 0;
  std::vector<double> contrast, blur;
  for (const Step& s : steps) contrast.push_back(s.contrast);
  quality.contrast = quantile(contrast, 0.5);
  // Edge noise grows with 1 / contrast; below a tenth of the median the edge was bridged, not seen.
  double evened = 0, actual = 0;
  for (const double c : contrast) {
    evened += std::pow(std::max(c, quality.contrast), -2);
    actual += std::pow(std::max(c, quality.contrast / 10), -2);
  }
  if (evened > 0 && quality.contrast > 0) quality.noise_inflation = std::sqrt(actual / evened);
  // Shading and rounded seals widen a step and nothing narrows it, so the lower quartile over the
  // high-contrast half estimates the blur of the photo itself.
  for (const Step& s : steps) {
    if (s.contrast >= quality.contrast) blur.push_back(s.blur_px);
  }
  quality.blur_px = quantile(blur, 0.25);
}

void assess_cards(const photo::Photo& photo, const std::vector<card::DetectedCard>& cards,
                  PhotoQuality& quality) {
  constexpr int kGrid = 60;
  int clipped = 0, total = 0;
  for (const card::DetectedCard& card : cards) {
    const std::vector<PointPx>& c = card.body_px;
    if (c.size() != 4) continue;
    for (std::size_t k = 0; k < 4; ++k) {
      quality.card_px = std::max(quality.card_px,
                                 std::hypot(c[(k + 1) % 4].x - c[k].x, c[(k + 1) % 4].y - c[k].y));
    }
    for (int i = 0; i < kGrid * kGrid; ++i) {
      const int column = i % kGrid, row = i / kGrid;
      const double s = (column + 0.5) / kGrid, t = (row + 0.5) / kGrid;
      const double x =
          (1 - t) * ((1 - s) * c[0].x + s * c[1].x) + t * ((1 - s) * c[3].x + s * c[2].x);
      const double y =
          (1 - t) * ((1 - s) * c[0].y + s * c[1].y) + t * ((1 - s) * c[3].y + s * c[2].y);
      clipped += clipped_at(photo, x, y) ? 1 : 0;
      ++total;
    }
  }
  quality.card_glare_share = total > 0 ? static_cast<double>(clipped) / total : 0;
}

/// Camera distance over the least one at which all of the outline is still in the photo.
double distance_ratio(const photo::Photo& photo, const Contour& contour) {
  double left = photo.bgr.cols, right = 0, top = photo.bgr.rows, bottom = 0;
  for (const PointPx p : contour.points_px) {
    left = std::min(left, p.x), right = std::max(right, p.x);
    top = std::min(top, p.y), bottom = std::max(bottom, p.y);
  }
  if (!(right > left) || !(bottom > top)) return 1;
  return std::max(1.0, std::min(photo.bgr.cols / (right - left), photo.bgr.rows / (bottom - top)));
}

/// What `source` contributes to the long side's U95, mm.
double contribution(const outline::Outline& o, ErrorSource source) {
  for (std::size_t s = 0; s < std::min(o.sources.size(), o.long_mm.parts.size()); ++s) {
    if (o.sources[s] == source) return o.long_mm.parts[s];
  }
  return 0;
}

/// U95 of the long side with edge and corner noise scaled by these factors.
double long_u95_with(const outline::Outline& o, double edge_factor, double corner_factor) {
  const double edge = contribution(o, ErrorSource::edge_noise),
               corner = contribution(o, ErrorSource::corner_noise);
  const double saved = edge * edge * (1 - edge_factor * edge_factor) +
                       corner * corner * (1 - corner_factor * corner_factor);
  return std::sqrt(std::max(0.0, o.long_mm.u95 * o.long_mm.u95 - saved));
}

}  // namespace

PhotoQuality assess_photo(const photo::Photo& photo, const card::Plane& plane,
                          const std::vector<card::DetectedCard>& cards, const Contour& contour) {
  PhotoQuality result;
  if (photo.grey.cols < 2 || photo.grey.rows < 2 || contour.points.empty()) return result;
  assess_boundary(photo, contour, result);
  assess_cards(photo, cards, result);
  PointMm middle;
  for (const PointMm p : contour.points) {
    middle = middle + 1.0 / static_cast<double>(contour.points.size()) * p;
  }
  const Eigen::Vector3d camera = card::camera_in_tangent_frame_mm(plane.value, middle);
  result.tilt_deg =
      std::atan2(std::hypot(camera.x(), camera.y()), camera.z()) * 180 / std::numbers::pi;
  result.distance_ratio = distance_ratio(photo, contour);
  return result;
}

std::vector<model::QualityFigure> figures(const PhotoQuality& quality, const outline::Outline& o) {
  constexpr double kSharp_px = 0.7;  // what optics and demosaicing leave
  const double blur = std::sqrt(kSharp_px / std::max(quality.blur_px, kSharp_px));
  const double foreshortening = std::cos(quality.tilt_deg * std::numbers::pi / 180);
  // Clipped pixels carry no information: the rest determines the variance.
  const auto unclipped = [](double glare_share) {
    return std::sqrt(std::max(0.0, 1 - glare_share));
  };
  const double now = o.long_mm.u95;
  return {
      {"blur", quality.blur_px, "px", long_u95_with(o, blur, blur),
       "rest the phone on something, let it focus, and wipe its lens"},
      {"contrast", quality.contrast, "grey levels",
       long_u95_with(o, 1 / quality.noise_inflation, 1),
       "light the faint stretches, or hang a bright cloth behind dark glass"},
      {"glare at the edge", 100 * quality.glare_share, "%",
       long_u95_with(o, unclipped(quality.glare_share), 1),
       "shade the reflection or expose for the bright parts"},
      {"glare on cards", 100 * quality.card_glare_share, "%",
       long_u95_with(o, 1, unclipped(quality.card_glare_share)),
       "keep lamp and sun from shining on the cards"},
      {"card size", quality.card_px, "px", now, "use the sheet, or cards further apart"},
      {"tilt", quality.tilt_deg, "deg", long_u95_with(o, foreshortening, foreshortening),
       "stand more square on"},
      {"room around the pane", quality.distance_ratio, "times",
       long_u95_with(o, 1 / quality.distance_ratio, 1 / quality.distance_ratio),
       "step closer, until the pane fills the photo"},
  };
}

std::vector<Finding> findings(const std::vector<model::QualityFigure>& figures,
                              const outline::Outline& o) {
  // U95 is stated with two digits (JCGM 100:2008, 7.2.6): a smaller share shows in neither.
  constexpr double kVisible = 0.05;
  std::vector<Finding> out;
  for (const model::QualityFigure& figure : figures) {
    if (o.long_mm.u95 - figure.long_u95_mm <= kVisible * o.long_mm.u95) continue;
    std::string code = "photo_" + figure.name;
    std::replace(code.begin(), code.end(), ' ', '_');
    out.push_back({code, figure.name + " " + to_text(figure.value, 1) + " " + figure.unit +
                             " makes the long side's U95 " + to_text(o.long_mm.u95, 2) +
                             " mm instead of " + to_text(figure.long_u95_mm, 2) +
                             " mm: " + figure.remedy});
  }
  return out;
}

}  // namespace panecard::quality
