// The body of the car beside a closed path: what it looks like, and what a path costs that does not
// have it on its outer side.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <vector>

#include "trace/polar.h"

namespace panecard::trace {

/// Luminance and two differences: the body's shade changes along the car, its hue hardly.
using Colour = std::array<float, 3>;

struct Body {
  Colour middle, sigma;
};

/// What the body looks like beside each ray, next to a path (column per ray); empty where no ray
/// shows any.
std::vector<Body> body_colours(const Polar& polar, const std::vector<int>& path);

/// The cells beside each column that should hold body and those that should not, [from, to), and
/// one over how many they are; 0 for none.
struct Window {
  int out_from, out_to, in_from, in_to;
  float per_out, per_in;
};

/// What a body's cost needs that is the same for all paths.
struct BodyScale {
  Colour grain{};               ///< noise of shade and hue between neighbouring cells
  std::vector<Window> windows;  ///< per column
};
BodyScale body_scale_of(const Polar& polar);

/// What a path costs that lacks the body on its outer side or has it on its inner side: CV_16U, a
/// row per ray.
cv::Mat body_cost(const Polar& polar, const BodyScale& scale, const std::vector<Body>& body);

}  // namespace panecard::trace
