#include "fusion/moments.h"

#include <cmath>
#include <numbers>

namespace panecard::fusion {
namespace {

using Complex = std::complex<double>;

struct Powers {
  int p, q;
};
constexpr std::array<Powers, kMoments> kPowers = {{{1, 1},
                                                   {2, 0},
                                                   {2, 1},
                                                   {3, 0},
                                                   {2, 2},
                                                   {3, 1},
                                                   {4, 0},
                                                   {3, 2},
                                                   {4, 1},
                                                   {5, 0},
                                                   {3, 3},
                                                   {4, 2},
                                                   {5, 1},
                                                   {6, 0}}};
constexpr int kMostPower = 8;

/// z^0 to z^7
std::array<Complex, kMostPower> powers(Complex z) {
  std::array<Complex, kMostPower> out;
  out[0] = 1;
  for (std::size_t k = 1; k < out.size(); ++k) out[k] = out[k - 1] * z;
  return out;
}

/// Gauss and Legendre's four points, exact to degree 7: the chords' share of every moment.
constexpr std::array<double, 4> kAt = {0.069431844202973712, 0.33000947820757187,
                                       0.66999052179242813, 0.93056815579702629};
constexpr std::array<double, 4> kWeight = {0.17392742256872693, 0.32607257743127307,
                                           0.32607257743127307, 0.17392742256872693};

int order(std::size_t m) { return kPowers[m].p + kPowers[m].q; }
int turns(std::size_t m) { return kPowers[m].p - kPowers[m].q; }

}  // namespace

PointMm centroid(const PolygonMm& outline) {
  double twice = 0;
  PointMm sum;
  for (std::size_t i = 2; i < outline.size(); ++i) {
    const PointMm a = outline[i - 1] - outline[0], b = outline[i] - outline[0];
    const double part = cross(a, b);
    twice += part;
    sum = sum + part * (a + b);
  }
  return outline[0] + (1 / (3 * twice)) * sum;
}

Moments moments_of(const PolygonMm& outline) {
  const double area = signed_area_mm2(outline);
  const double radius = std::sqrt(std::abs(area) / std::numbers::pi);
  const PointMm middle = centroid(outline);
  std::array<Complex, kMoments> sums{};
  // Green: the integral of z^p w^q over the area is that of z^p w^(q+1) dz / (2 i (q+1)) around it,
  // with w the conjugate of z. In units of the radius, so that no power grows out of bounds.
  for (std::size_t i = 0; i < outline.size(); ++i) {
    const PointMm a = outline[i] - middle, b = outline[(i + 1) % outline.size()] - middle;
    const Complex from(a.x / radius, a.y / radius), along(Complex(b.x, b.y) / radius - from);
    for (std::size_t g = 0; g < kAt.size(); ++g) {
      const auto z = powers(from + kAt[g] * along);
      for (std::size_t m = 0; m < kMoments; ++m) {
        const auto [p, q] = kPowers[m];
        sums[m] += kWeight[g] / (q + 1) * z[static_cast<std::size_t>(p)] *
                   std::conj(z[static_cast<std::size_t>(q) + 1]) * along;
      }
    }
  }
  Moments out;
  out.radius_mm = static_cast<float>(radius);
  const double unit = radius * radius * radius / area;
  for (std::size_t m = 0; m < kMoments; ++m) {
    out.c[m] = std::complex<float>(sums[m] / Complex(0, 2) * unit);
  }
  return out;
}

std::array<float, kMoments> noise_of(const PolygonMm& outline) {
  const double radius = std::sqrt(std::abs(signed_area_mm2(outline)) / std::numbers::pi);
  const PointMm middle = centroid(outline);
  std::array<double, kMoments> squares{};
  double length = 0;
  for (std::size_t i = 0; i < outline.size(); ++i) {
    const double step = distance(outline[i], outline[(i + 1) % outline.size()]);
    const double reach = norm(outline[i] - middle) / radius;
    length += step;
    for (std::size_t m = 0; m < kMoments; ++m) squares[m] += step * std::pow(reach, 2 * order(m));
  }
  std::array<float, kMoments> out{};
  for (std::size_t m = 0; m < kMoments; ++m) {
    out[m] = static_cast<float>(std::sqrt(squares[m] / length));
  }
  return out;
}

float rotation_invariant_distance_mm2(const Moments& a, const Moments& b,
                                      const std::array<float, kMoments>& noise) {
  const float radius = a.radius_mm - b.radius_mm;
  float sum = radius * radius;
  for (std::size_t m = 0; m < kMoments; ++m) {
    const float off = (std::abs(a.c[m]) - std::abs(b.c[m])) / noise[m];
    sum += off * off;
  }
  return sum;
}

Rotation best_rotation(const Moments& from, const Moments& to,
                       const std::array<float, kMoments>& noise) {
  // Squared distance = constant - 2 Re sum of conj(to) from exp(i k t): a trigonometric polynomial
  // of degree 6, so 90 samples find every maximum of it.
  constexpr int kSamples = 90, kMostDegree = 6;
  Rotation best;
  best.distance_mm = 1e30;
  for (const bool mirrored : {false, true}) {
    std::array<Complex, kMostDegree + 1> terms{};
    double constant = std::pow(double{from.radius_mm} - double{to.radius_mm}, 2);
    for (std::size_t m = 0; m < kMoments; ++m) {
      // Mirroring x to -x is conjugating and turning by half: (-1)^(p-q) times the conjugate.
      const double sign = mirrored && turns(m) % 2 != 0 ? -1 : 1;
      const Complex f = sign * Complex(mirrored ? std::conj(from.c[m]) : from.c[m]);
      const Complex t(to.c[m]);
      const double weight = 1 / (double{noise[m]} * double{noise[m]});
      constant += weight * (std::norm(f) + std::norm(t));
      terms[static_cast<std::size_t>(turns(m))] += weight * f * std::conj(t);
    }
    const auto alike = [&](double angle) {
      const Complex step = std::polar(1.0, angle);
      Complex turned = 1;
      double sum = 0;
      for (const Complex& term : terms) sum += (term * turned).real(), turned *= step;
      return sum;
    };
    constexpr double kStep = 2 * std::numbers::pi / kSamples;
    int at = 0;
    double most = -1e30;
    for (int k = 0; k < kSamples; ++k) {
      const double value = alike(k * kStep);
      if (value > most) most = value, at = k;
    }
    const double before = alike((at - 1) * kStep), after = alike((at + 1) * kStep);
    const double bend = before - 2 * most + after;
    const double angle = kStep * (at + (bend < 0 ? (before - after) / (2 * bend) : 0));
    const double apart = std::sqrt(std::max(0.0, constant - 2 * alike(angle)));
    if (apart < best.distance_mm) best = {angle, mirrored, apart};
  }
  return best;
}

}  // namespace panecard::fusion
