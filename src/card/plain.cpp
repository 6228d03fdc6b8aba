#include "card/plain.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "card/plain_edges.h"
#include "card/plain_quads.h"
#include "card/plain_segments.h"
#include "card/plain_shape.h"

namespace panecard::card {
namespace {

/// Fits at full resolution dominate the run time; quads are ordered by the support of their sides.
constexpr std::size_t kMaxFitted = 16, kMaxQuads = 300;
constexpr double kMaxTilt_deg = 50;
/// Long side of the reduced copy: a card's edges stand out of the noise, and the search is fast.
constexpr int kSearchLong_px = 1008;
/// Systematic error of edge positions: pixel grid, sharpening, uneven background.
constexpr double kEdgeModel_px = 0.1;
/// 99.9 % quantile of chi-square with two degrees of freedom.
constexpr double kMaxShapeChi2 = 13.8;
/// ISO/IEC 7810 limits of the corner radius, 3.18 +- 0.30, taken rectangular.
constexpr double kSigmaRadius_mm = 0.30 / 1.7320508;

using Outline = std::array<PointPx, 4>;

struct Candidate {
  OutlineFit body;
  ShapeFit shape;
  double radius_mm = 0, radius_sigma_mm = 0;
  double deviance = 0;    ///< of shape, radius and coverage together
  double brightness = 0;  ///< blank paper: linear, 1 at the sensor's limit
};

double coverage_of(const OutlineFit& body) {
  double least = 1;
  for (const EdgeFit& edge : body.edge) least = std::min(least, edge.coverage);
  return least;
}

/// Whether the edges are straight up to the corner arcs: those of a pane or a seat bend away long
/// before. Two of the eight ends may be hidden.
bool straight_to_corners(const OutlineFit& body) {
  int reached = 0;
  for (const EdgeFit& edge : body.edge) {
    for (const bool seen : edge.reaches_end) reached += seen;
  }
  return reached >= 6;
}

QuadLimits limits_for(const PlainSize& size) {
  const double ratio =
      std::max(size.width_mm, size.height_mm) / std::min(size.width_mm, size.height_mm);
  const double foreshortening = std::cos(kMaxTilt_deg * CV_PI / 180);
  QuadLimits limits;
  limits.min_side_ratio = std::max(1.0, ratio * foreshortening);
  limits.max_side_ratio = ratio / foreshortening;
  limits.corner_share = size.corner_radius_mm / std::min(size.width_mm, size.height_mm);
  return limits;
}

/// Mean corner radius, from where the outline crosses the corners' diagonals.
bool measure_radius(const cv::Mat& bgr, const PlainSize& size, Candidate& candidate) {
  const auto& at_mm = candidate.shape.corner_mm;
  const double arc_share = std::sqrt(2.0) - 1;  // corner to arc, over the radius
  double sum = 0, square = 0, sigma = 0;
  int seen = 0;
  for (int i = 0; i < 4; ++i) {
    const PointPx corner = candidate.body.corner[i];
    const double step = 1 / std::sqrt(2.0);
    const PointMm inside = {at_mm[i].x - std::copysign(step, at_mm[i].x),
                            at_mm[i].y - std::copysign(step, at_mm[i].y)};
    const PointPx in = px_on_body(at_mm, candidate.body.corner, inside);
    const double px_per_mm = std::hypot(in.x - corner.x, in.y - corner.y);
    // For a sheet the search goes further in: corners of panes and trim have radii of centimetres.
    const double deepest_mm = size.corner_radius_mm > 0 ? size.corner_radius_mm + 1 : 6;
    const double reach = deepest_mm * arc_share * 1.5 * px_per_mm;
    const CornerArc arc = locate_corner_arc(bgr, corner, in, reach, candidate.body.blur_px);
    if (arc.sigma_px < 0) continue;
    const double radius = arc.distance_px / px_per_mm / arc_share;
    sigma = arc.sigma_px / px_per_mm / arc_share;
    sum += radius;
    square += radius * radius;
    ++seen;
  }
  if (seen < 3) return false;
  candidate.radius_mm = sum / seen;
  const double scatter = std::max(0.0, square / seen - candidate.radius_mm * candidate.radius_mm);
  candidate.radius_sigma_mm = std::sqrt((sigma * sigma + scatter) / seen);
  return true;
}

Outline corners_in_photo(const Quad& quad, double scale) {
  std::array<PointPx, 4> corner;
  for (int i = 0; i < 4; ++i) {
    corner[i] = {quad.corner[i].x() * scale, quad.corner[i].y() * scale};
  }
  return corner;
}

/// Quads that pass the shape test at the precision of the reduced copy; those nearer than a pane
/// can be photographed from come last.
std::vector<Outline> filter_by_shape(const std::vector<Quad>& quads, double scale,
                                     const PlainSize& size, const photo::Lens& lens) {
  // A pane of 250 mm fills a photo 69 degrees wide (26 mm equivalent) from 180 mm.
  constexpr double kMinDistance_mm = 180;
  enum : char { no, near, far };
  std::vector<char> passed(quads.size(), no);
  cv::parallel_for_(cv::Range(0, static_cast<int>(quads.size())), [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const ShapeFit fit = fit_rectangle(corners_in_photo(quads[i], scale), 1.5 * scale,
                                         kBloomSigma_px, size, lens, true);
      if (fit.chi2 > kMaxShapeChi2 || fit.tilt_deg > kMaxTilt_deg + 10) continue;
      passed[i] = fit.distance_mm < kMinDistance_mm ? near : far;
    }
  });
  std::vector<Outline> out;
  for (const char how : {far, near}) {
    for (std::size_t i = 0; i < quads.size() && out.size() < kMaxFitted; ++i) {
      if (passed[i] == how) out.push_back(corners_in_photo(quads[i], scale));
    }
  }
  return out;
}

double end_share(const PlainSize& size) {
  return (size.corner_radius_mm + 0.5) / std::min(size.width_mm, size.height_mm);
}

double corner_distance(const Outline& p, const Outline& q) {
  double worst = 0;
  for (const PointPx& a : p) {
    double least = 1e9;
    for (const PointPx& b : q) least = std::min(least, std::hypot(a.x - b.x, a.y - b.y));
    worst = std::max(worst, least);
  }
  return worst;
}

/// Refines rough outlines in the full photo; keeps those that pass the shape test, without
/// duplicates.
std::vector<Outline> refine_outlines(const cv::Mat& bgr, std::vector<Outline> rough, double scale,
                                     const PlainSize& size, const photo::Lens& lens) {
  constexpr double kRefined_px = 0.25;
  std::vector<char> passed(rough.size(), 0);
  cv::parallel_for_(cv::Range(0, static_cast<int>(rough.size())), [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      if (!refine_corners(bgr, end_share(size), std::max(2 * scale, 3.0), rough[i])) continue;
      const ShapeFit fit = fit_rectangle(rough[i], kRefined_px, kBloomSigma_px, size, lens, true);
      if (fit.chi2 <= kMaxShapeChi2) passed[i] = 1;
    }
  });
  std::vector<Outline> out;
  for (std::size_t i = 0; i < rough.size(); ++i) {
    const bool copy = std::any_of(out.begin(), out.end(), [&](const Outline& other) {
      return corner_distance(other, rough[i]) < 4 * kRefined_px;
    });
    if (passed[i] && !copy) out.push_back(rough[i]);
  }
  return out;
}

/// Fits and tests one outline at full precision; false when it is rejected.
bool evaluate_candidate(const cv::Mat& bgr, const Outline& corner, const PlainSize& size,
                        const photo::Lens& lens, Candidate& candidate) {
  candidate.body = fit_outline(bgr, corner, end_share(size));
  if (!candidate.body.valid || coverage_of(candidate.body) < 0.5) return false;
  if (!straight_to_corners(candidate.body)) return false;
  const double sigma = std::hypot(candidate.body.corner_sigma_px, kEdgeModel_px);
  // Blank paper varies less inside than it differs from its surroundings; a card may be printed.
  if (size.corner_radius_mm == 0) {
    for (const EdgeFit& edge : candidate.body.edge) {
      if (edge.colour_spread > 0.5) return false;
    }
  }
  candidate.shape = fit_rectangle(candidate.body.corner, sigma, kBloomSigma_px, size, lens);
  if (candidate.shape.chi2 > kMaxShapeChi2 || candidate.shape.tilt_deg > kMaxTilt_deg) return false;
  if (!measure_radius(bgr, size, candidate)) return false;
  const double tolerance = size.corner_radius_mm > 0 ? kSigmaRadius_mm : 0.3;
  // Rejected where the measurement could not distinguish a rounded corner from a sharp one.
  const bool radius_resolved =
      size.corner_radius_mm == 0 ||
      size.corner_radius_mm > 3 * std::hypot(tolerance, candidate.radius_sigma_mm);
  const double z = (candidate.radius_mm - size.corner_radius_mm) /
                   std::hypot(tolerance, candidate.radius_sigma_mm);
  if (!radius_resolved || std::abs(z) > 4) return false;
  // Likelihood against a uniform prior of the radius: a precise measurement that agrees counts
  // more.
  const double log_width =
      2 * std::log(std::hypot(tolerance, candidate.radius_sigma_mm) / tolerance);
  candidate.deviance =
      candidate.shape.chi2 + z * z + log_width + 20 * (1 - coverage_of(candidate.body));
  return true;
}

/// Median over the body in linear light: photos are encoded with a gamma of about 2.2 (sRGB,
/// IEC 61966-2-1).
double linear_brightness(const cv::Mat& bgr, const Candidate& candidate, const PlainSize& size) {
  constexpr int kGrid = 9;
  constexpr double kInside = 0.8;
  std::vector<double> level;
  const auto share = [](int step) { return kInside * (step / (kGrid - 1.0) - 0.5); };
  for (int i = 0; i < kGrid * kGrid; ++i) {
    const int column = i % kGrid, row = i / kGrid;
    const PointMm on{size.width_mm * share(column), size.height_mm * share(row)};
    const PointPx px = px_on_body(candidate.shape.corner_mm, candidate.body.corner, on);
    const int x = static_cast<int>(px.x), y = static_cast<int>(px.y);
    if (x < 0 || y < 0 || x >= bgr.cols || y >= bgr.rows) continue;
    const auto& c = bgr.at<cv::Vec3b>(y, x);
    level.push_back((c[0] + c[1] + c[2]) / (3 * 255.0));
  }
  if (level.empty()) return 0;
  const auto middle = level.begin() + static_cast<std::ptrdiff_t>(level.size() / 2);
  std::nth_element(level.begin(), middle, level.end());
  return std::pow(*middle, 2.2);
}

/// Adds to the deviance of papers darker than the brightest one: nothing on a pane is as bright as
/// white paper, since a reflection returns about a twentieth of the light. Illumination varies over
/// a pane by about a half (one standard deviation; common practice).
void penalize_dim_papers(std::vector<Candidate>& papers) {
  double brightest = 0;
  for (const Candidate& c : papers) brightest = std::max(brightest, c.brightness);
  for (Candidate& c : papers) {
    const double log_ratio = std::log(brightest / std::max(c.brightness, 1e-4)) / std::log(1.5);
    c.deviance += log_ratio * log_ratio;
  }
}

/// Sigma of one sample, enlarged for the error that all n samples of a cut edge share (straight and
/// square to 0.2 mm, common practice): the sagitta of n samples of sigma s has the uncertainty
/// s sqrt(45 / 4n), which is set to that error.
double sigma_with_cut(const EdgeFit& trace, double px_per_mm) {
  constexpr double kCutTolerance_mm = 0.2;
  const double n = static_cast<double>(trace.seen.size());
  return std::hypot(trace.sigma_px, kCutTolerance_mm * px_per_mm * std::sqrt(4 * n / 45));
}

DetectedCard detected_card(const Candidate& candidate, const PlainSize& size) {
  DetectedCard s;
  s.kind = Kind::plain;
  s.width_mm = size.width_mm;
  s.height_mm = size.height_mm;
  s.thickness_mm = size.thickness_mm;
  s.plain = size;
  s.deviance = candidate.deviance;
  const std::array<PointMm, 4>& on_body = candidate.shape.corner_mm;
  // DetectedCard starts at the top left; the outline starts at any corner.
  const auto top_left =
      std::find_if(on_body.begin(), on_body.end(), [](PointMm p) { return p.x < 0 && p.y > 0; });
  for (int k = 0; k < 4; ++k) {
    const auto i = static_cast<std::size_t>(top_left - on_body.begin() + k) % 4;
    const std::size_t next = (i + 1) % 4;
    const EdgeFit& trace = candidate.body.edge[i];
    const PointPx from = candidate.body.corner[i], to = candidate.body.corner[next];
    const double px_per_mm =
        std::hypot(to.x - from.x, to.y - from.y) / distance(on_body[i], on_body[next]);
    s.edges.push_back({on_body[i], on_body[next], trace.seen,
                       sigma_with_cut(trace, size.corner_radius_mm == 0 ? px_per_mm : 0)});
    s.body_px.push_back(from);
  }
  return s;
}

std::vector<cv::Point2f> quad_of(const Candidate& candidate) {
  std::vector<cv::Point2f> quad;
  for (const PointPx p : candidate.body.corner) {
    quad.emplace_back(static_cast<float>(p.x), static_cast<float>(p.y));
  }
  return quad;
}

bool overlap(const Candidate& p, const Candidate& q) {
  std::vector<cv::Point2f> common;
  return cv::intersectConvexConvex(quad_of(p), quad_of(q), common) > 0;
}

bool contained_in(const Candidate& inner, const Candidate& outer) {
  const std::vector<cv::Point2f> around = quad_of(outer);
  const std::vector<cv::Point2f> corners = quad_of(inner);
  return std::all_of(corners.begin(), corners.end(),
                     [&](cv::Point2f p) { return cv::pointPolygonTest(around, p, false) > 0; });
}

/// Whether `other` is good enough to make `candidate` ambiguous: two overlapping outlines cannot
/// both be cards, and one must be better by kDecisiveDeviance. Of nested ones the inner is
/// preferred by odds of a hundred (2 ln 100 = 9): a card on a pane of similar shape is more likely
/// than a card with a card-shaped frame printed on it.
bool competes_with(const Candidate& other, const Candidate& candidate) {
  constexpr double kNestedBonus = 9;
  if (!overlap(candidate, other)) return false;
  double margin = other.deviance - candidate.deviance;
  if (contained_in(candidate, other)) margin += kNestedBonus;
  if (contained_in(other, candidate)) margin -= kNestedBonus;
  return margin <= kDecisiveDeviance;
}

}  // namespace

std::vector<DetectedCard> detect_plain_cards(const photo::Photo& photo, const PlainSize& size) {
  const int factor =
      std::max(1, static_cast<int>(std::lround(std::max(photo.bgr.cols, photo.bgr.rows) /
                                               static_cast<double>(kSearchLong_px))));
  if (std::min(photo.bgr.cols, photo.bgr.rows) < 40 * factor) return {};
  cv::Mat reduced;
  const cv::Rect whole(0, 0, photo.bgr.cols / factor * factor, photo.bgr.rows / factor * factor);
  cv::resize(photo.bgr(whole), reduced, {}, 1.0 / factor, 1.0 / factor, cv::INTER_AREA);
  const GradientField field = colour_gradient(reduced);
  const std::vector<Segment> segments = find_segments(field, 10, 400);
  const std::vector<Quad> quads = find_quads(segments, field, limits_for(size), kMaxQuads);

  const photo::Lens lens = photo::lens_from_exif(photo.exif, photo.bgr.cols, photo.bgr.rows);
  const auto outlines =
      refine_outlines(photo.bgr, filter_by_shape(quads, factor, size, lens), factor, size, lens);
  std::vector<Candidate> tried(outlines.size());
  std::vector<char> passed(outlines.size(), 0);
  cv::parallel_for_(cv::Range(0, static_cast<int>(outlines.size())), [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      if (evaluate_candidate(photo.bgr, outlines[i], size, lens, tried[i])) passed[i] = 1;
    }
  });
  std::vector<Candidate> found;
  for (std::size_t i = 0; i < tried.size(); ++i) {
    const bool copy = std::any_of(found.begin(), found.end(), [&](const Candidate& c) {
      return corner_distance(c.body.corner, tried[i].body.corner) < 1;
    });
    if (passed[i] && !copy) found.push_back(tried[i]);
  }
  if (size.corner_radius_mm == 0) {
    for (Candidate& c : found) c.brightness = linear_brightness(photo.bgr, c, size);
    penalize_dim_papers(found);
  }
  std::stable_sort(found.begin(), found.end(),
                   [](const Candidate& p, const Candidate& q) { return p.deviance < q.deviance; });
  std::vector<DetectedCard> sightings;
  for (std::size_t i = 0; i < found.size(); ++i) {
    bool clear = true;
    for (std::size_t k = 0; k < found.size(); ++k) {
      clear = clear && (k == i || !competes_with(found[k], found[i]));
    }
    if (clear) sightings.push_back(detected_card(found[i], size));
  }
  return sightings;
}

Result<PlainSize> plain_size(const std::string& text) {
  if (text == "id1") return PlainSize{.name = "id1"};
  // ISO 216 trims to +-2 mm between 150 and 600 mm; Letter is trimmed alike (common practice).
  const double paper_sigma_mm = 2 / std::sqrt(3.0);
  if (text == "a4") return PlainSize{text, 210, 297, 0, 0.1, paper_sigma_mm, paper_sigma_mm};
  if (text == "letter") {
    return PlainSize{text, 215.9, 279.4, 0, 0.1, paper_sigma_mm, paper_sigma_mm};
  }
  const char* const end = text.data() + text.size();
  double width = 0, height = 0;
  const auto [cross, first] = std::from_chars(text.data(), end, width);
  if (first == std::errc() && cross != end && *cross == 'x') {
    const auto [rest, second] = std::from_chars(cross + 1, end, height);
    const bool sane = width >= 20 && height >= 20 && width <= 2000 && height <= 2000;
    // Sides are measured by the user with a tape: half a graduation of 1 mm, rectangular.
    const double tape_sigma_mm = 0.5 / std::sqrt(3.0);
    if (second == std::errc() && rest == end && sane) {
      return PlainSize{text, width, height, 0, 0.1, tape_sigma_mm, tape_sigma_mm};
    }
  }
  return Error{Code::bad_usage, "plain card '" + text +
                                    "' is no size: give id1, a4, letter or WIDTHxHEIGHT in mm, "
                                    "each 20 to 2000, such as 210x148"};
}

}  // namespace panecard::card
