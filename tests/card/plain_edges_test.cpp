// The edge fit against the bound that no unbiased estimator can beat.
#include "card/plain_edges.h"

#include <doctest/doctest.h>

#include <cmath>
#include <numbers>
#include <random>

namespace panecard::card {
namespace {

// sRGB, IEC 61966-2-1.
double light_of(double code) { return std::pow((code / 255 + 0.055) / 1.055, 2.4); }
double code_of(double light) { return 255 * (1.055 * std::pow(light, 1 / 2.4) - 0.055); }

/// A square of codes 80 on 180, its sides turned by 5 deg, blurred by a Gaussian of 0.8 px (closed
/// form: product of two error functions), white noise of 2 codes in each channel.
struct Drawn {
  cv::Mat bgr;
  std::array<PointPx, 4> corner;
};

Drawn draw_square(unsigned seed, double noise, bool blurred_in_light) {
  constexpr double kHalf = 150.3, kCentre_x = 200.37, kCentre_y = 199.81, kBlur = 0.8;
  const double turn = 5 * std::numbers::pi / 180, c = std::cos(turn), s = std::sin(turn);
  const auto step = [](double d) { return 0.5 * std::erfc(-d / (kBlur * std::numbers::sqrt2)); };
  Drawn drawn;
  drawn.bgr.create(400, 400, CV_8UC3);
  std::mt19937_64 engine(seed);
  std::normal_distribution<double> normal(0, noise);
  for (int y = 0; y < 400; ++y) {
    for (int x = 0; x < 400; ++x) {
      const double dx = x + 0.5 - kCentre_x, dy = y + 0.5 - kCentre_y;
      const double u = c * dx + s * dy, v = -s * dx + c * dy;
      const double share =
          (step(u + kHalf) - step(u - kHalf)) * (step(v + kHalf) - step(v - kHalf));
      const double mixed = blurred_in_light
                               ? code_of(light_of(80) + share * (light_of(180) - light_of(80)))
                               : 80 + 100 * share;
      const double code = mixed + normal(engine);
      // One noise for all channels: the bound is for a single channel.
      drawn.bgr.at<cv::Vec3b>(y, x) = cv::Vec3b::all(cv::saturate_cast<uchar>(std::lround(code)));
    }
  }
  for (int i = 0; i < 4; ++i) {
    const double u = i == 1 || i == 2 ? kHalf : -kHalf, v = i < 2 ? -kHalf : kHalf;
    drawn.corner[i] = {kCentre_x + c * u - s * v, kCentre_y + s * u + c * v};
  }
  return drawn;
}

}  // namespace

TEST_CASE(
    "edge samples scatter as the Cramer-Rao bound of a blurred step allows, and little more") {
  // sd per profile >= (noise / height) sqrt(2 sqrt(pi) blur) px, own derivation; same problem:
  // Gatherer, CSL-TR-93-560 (1993). With 100, 2, 0.8: 0.03368 px. A sample sums n profiles.
  const double bound_px = 2.0 / 100 * std::sqrt(2 * std::sqrt(std::numbers::pi) * 0.8);
  CHECK(std::abs(bound_px - 0.03368) <= 5e-5);
  double square = 0;
  int edges = 0;
  for (unsigned seed = 1; seed <= 4; ++seed) {
    const Drawn drawn = draw_square(seed, 2, false);
    std::array<PointPx, 4> rough = drawn.corner;
    rough[0].x += 2.5;
    rough[2].y -= 2;
    CHECK(refine_corners(drawn.bgr, 0.06, 6, rough));
    const OutlineFit trace = fit_outline(drawn.bgr, rough, 0.06);
    CHECK(trace.valid);
    for (const EdgeFit& edge : trace.edge) {
      CHECK(edge.coverage >= 0.9);
      const double profiles =
          300.6 * 0.88 / (static_cast<double>(edge.seen.size()) / edge.coverage);
      square += edge.sigma_px * edge.sigma_px * profiles;
      ++edges;
    }
  }
  const double per_profile_px = std::sqrt(square / edges);
  CHECK(edges == 16);
  CHECK(per_profile_px >= 0.8 * bound_px);  // better than possible would mean a wrong sigma
  CHECK(per_profile_px <= 1.3 * bound_px);
}

TEST_CASE("the edge is found where the light is half way, not the code") {
  // Codes 80 and 180: half-way light has code 142, so that the half-way code 130 lies 0.24 px out.
  for (const bool in_light : {true, false}) {
    CAPTURE(in_light);
    const Drawn drawn = draw_square(9, 1, in_light);
    const OutlineFit trace = fit_outline(drawn.bgr, drawn.corner, 0.06);
    CHECK(trace.valid);
    double wider = 0;
    for (int i = 0; i < 4; ++i) {
      const PointPx a = trace.corner[i], b = trace.corner[(i + 1) % 4];
      wider += (std::hypot(b.x - a.x, b.y - a.y) - 300.6) / 4;
    }
    CHECK(std::abs(wider / 2 - (in_light ? 0 : -0.24)) <= 0.03);
  }
}

}  // namespace panecard::card
