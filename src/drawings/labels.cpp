#include "drawings/labels.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace panecard::drawings {
namespace {

struct Axes {
  PagePoint along, down;
};

Axes axes(double turn_deg) {
  const double a = turn_deg * std::numbers::pi / 180;
  return {{std::cos(a), std::sin(a)}, {-std::sin(a), std::cos(a)}};
}

double dot(PagePoint a, PagePoint b) { return a.x * b.x + a.y * b.y; }

std::array<PagePoint, 4> corners(const Label& l) {
  const Axes x = axes(l.turn_deg);
  const PagePoint w = l.width / 2 * x.along;
  const PagePoint h = l.height / 2 * x.down;
  return {l.centre - w - h, l.centre + w - h, l.centre + w + h, l.centre - w + h};
}

// Separating axes: two rectangles are apart when a side of one of them separates them.
bool apart_along_sides_of(const Label& a, const Label& b) {
  const Axes x = axes(a.turn_deg);
  for (const auto& [axis, half] : {std::pair{x.along, a.width / 2}, {x.down, a.height / 2}}) {
    double low = 1e300;
    double high = -1e300;
    for (const PagePoint p : corners(b)) {
      low = std::min(low, dot(p - a.centre, axis));
      high = std::max(high, dot(p - a.centre, axis));
    }
    if (low > half || high < -half) return true;
  }
  return false;
}

bool overlap(const Label& a, const Label& b) {
  return !apart_along_sides_of(a, b) && !apart_along_sides_of(b, a);
}

// Clips the line against the rectangle in the rectangle's frame (Liang & Barsky 1984).
bool crosses(const Label& l, PagePoint a, PagePoint b) {
  const Axes x = axes(l.turn_deg);
  const PagePoint p{dot(a - l.centre, x.along), dot(a - l.centre, x.down)};
  const PagePoint d{dot(b - a, x.along), dot(b - a, x.down)};
  double enter = 0;
  double leave = 1;
  for (const auto& [at, step, half] :
       {std::tuple{p.x, d.x, l.width / 2}, std::tuple{p.y, d.y, l.height / 2}}) {
    if (std::abs(step) < 1e-12) {
      if (std::abs(at) > half) return false;
      continue;
    }
    const double t = (-half - at) / step;
    const double u = (half - at) / step;
    enter = std::max(enter, std::min(t, u));
    leave = std::min(leave, std::max(t, u));
  }
  return enter <= leave;
}

}  // namespace

LabelField::LabelField(PagePoint top_left, PagePoint bottom_right)
    : low_(top_left), high_(bottom_right) {}

void LabelField::add_line(PagePoint a, PagePoint b, double cost_to_cross) {
  lines_.push_back({a, b, cost_to_cross});
}

void LabelField::add_label(const Label& label) { labels_.push_back(label); }

double LabelField::cost(const Label& label) const {
  double sum = 0;
  for (const PagePoint p : corners(label)) {
    if (p.x < low_.x || p.x > high_.x || p.y < low_.y || p.y > high_.y) sum += kBlocked;
  }
  for (const Label& other : labels_) sum += overlap(label, other) ? kBlocked : 0;
  for (const Line& line : lines_) sum += crosses(label, line.a, line.b) ? line.cost : 0;
  return sum;
}

double LabelField::cost_of_line(PagePoint a, PagePoint b) const {
  return kBlocked *
         static_cast<double>(std::count_if(labels_.begin(), labels_.end(), [&](const Label& label) {
           return crosses(label, a, b);
         }));
}

double upright_deg(double turn_deg) {
  // Steep texts read from the right-hand side (ISO 129-1, from memory).
  constexpr double kSteep = 75;
  const double t = std::remainder(turn_deg, 180);
  return t > kSteep ? t - 180 : t;
}

}  // namespace panecard::drawings
