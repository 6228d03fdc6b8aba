#include "optics/optics.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <functional>
#include <string>
#include <vector>

#include "optics/adding.h"

namespace panecard::optics {
namespace {

/// All inputs of the layers in a row, each to be varied by its uncertainty; the face's comes last.
std::vector<Share> inputs_of(std::span<const Layer> layers) {
  std::vector<Share> out;
  for (const Layer& layer : layers) {
    out.push_back(layer.transmission);
    out.push_back(layer.front.value_or(Share{}));
    out.push_back(layer.back.value_or(Share{}));
  }
  out.push_back(kFaceReflectance);
  return out;
}

using Values = std::vector<double>;
using Model = std::function<double(const Values&)>;

/// Law of propagation for independent inputs (JCGM 100, 5.1.2), derivatives by central difference.
Share propagated(std::span<const Layer> layers, const Model& model) {
  const std::vector<Share> inputs = inputs_of(layers);
  Values at;
  for (const Share& s : inputs) at.push_back(s.value);
  Share out{model(at), 0, true};
  double variance = 0;
  for (std::size_t i = 0; i < inputs.size(); ++i) {
    if (inputs[i].sigma <= 0) continue;
    constexpr double kStep = 1e-5;
    Values up = at, down = at;
    up[i] += kStep;
    down[i] -= kStep;
    const double slope = (model(up) - model(down)) / (2 * kStep);
    variance += slope * slope * inputs[i].sigma * inputs[i].sigma;
  }
  out.sigma = std::sqrt(variance);
  for (const Layer& layer : layers) out.rounded = out.rounded && layer.transmission.rounded;
  return out;
}

Element element(const Values& v, std::size_t k) { return {v[3 * k], v[3 * k + 1], v[3 * k + 2]}; }

/// A layer as measured; unknown reflectances are those of a slab with plain faces.
Element measured(const Layer& layer, const Values& v, std::size_t k) {
  return layer.front ? element(v, k) : plain_slab(v[3 * k], v.back());
}

double glued_at(std::span<const Layer> layers, const Values& v) {
  const double r = v.back();
  Element stack;
  for (std::size_t k = 0; k < layers.size(); ++k) {
    Element e = measured(layers[k], v, k);
    if (k > 0) e = turned(without_back_face(turned(e), r));
    if (k + 1 < layers.size()) e = without_back_face(e, r);
    stack = k == 0 ? e : add(stack, e);
  }
  return stack.transmission;
}

/// Whether plain faces are consistent with the layer's figures within their U95.
bool fits_plain_faces(const Layer& layer) {
  const double least = kFaceReflectance.value - kFaceReflectance.u95();
  if (!layer.front) {
    return layer.transmission.value - layer.transmission.u95() <= (1 - least) / (1 + least);
  }
  return layer.front->value + layer.front->u95() >= least &&
         layer.back->value + layer.back->u95() >= least;
}

struct Number {
  double value = 0;
  double unit = 1;  ///< of its last digit
  bool percent = false;
  bool bare = false;  ///< without a decimal point
};

std::string_view trimmed(std::string_view text) {
  const auto first = text.find_first_not_of(' ');
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(' ') - first + 1);
}

std::optional<Number> number_from(std::string_view text) {
  Number out;
  text = trimmed(text);
  if (text.ends_with('%')) {
    out.percent = true;
    text = trimmed(text.substr(0, text.size() - 1));
  }
  constexpr std::size_t kLongest = 12;
  const bool digits = text.find_first_not_of("0123456789.") == std::string_view::npos;
  if (text.empty() || text.size() > kLongest || !digits) return std::nullopt;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), out.value);
  if (error != std::errc() || end != text.data() + text.size()) return std::nullopt;
  const std::size_t point = text.find('.');
  out.bare = point == std::string_view::npos;
  if (!out.bare) out.unit = std::pow(10.0, -static_cast<double>(text.size() - point - 1));
  if (out.percent) out.value /= 100, out.unit /= 100;
  return out;
}

Error not_a_share(std::string_view text) {
  return {Code::bad_usage, "'" + std::string(text) +
                               "' is no part of the light: give 35%, or 35%+-2% when it is known "
                               "how well"};
}

}  // namespace

Result<Share> parse_share(std::string_view text) {
  std::string_view value = text, spread;
  for (const std::string_view sign : {"+-", "+/-", "\u00b1"}) {
    const std::size_t at = text.find(sign);
    if (at == std::string_view::npos) continue;
    value = text.substr(0, at);
    spread = text.substr(at + sign.size());
    if (trimmed(spread).empty()) return not_a_share(text);
    break;
  }
  const auto v = number_from(value);
  if (!v || v->value > 1 || (!v->percent && v->bare)) return not_a_share(text);
  if (spread.empty()) return Share{v->value, v->unit / 2 / std::sqrt(3.0), true};
  const auto u = number_from(spread);
  if (!u || u->percent != v->percent || u->value > 1) return not_a_share(text);
  return Share{v->value, u->value / 2, false};
}

Result<Layer> checked(const Layer& layer) {
  if (layer.front.has_value() != layer.back.has_value()) {
    return Error{Code::bad_usage, "a layer needs the reflectance of both its sides, or of none"};
  }
  const auto wrong = [](const Share& s) {
    return !(s.value >= 0 && s.value <= 1 && s.sigma >= 0 && s.sigma <= 1);
  };
  const Share none;
  for (const Share& reflected : {layer.front.value_or(none), layer.back.value_or(none)}) {
    if (wrong(layer.transmission) || wrong(reflected)) {
      return Error{Code::bad_usage, "a part of the light lies outside 0 to 100 %"};
    }
    const double u95 = 2 * std::hypot(layer.transmission.sigma, reflected.sigma);
    const double out = layer.transmission.value + reflected.value;
    if (out - u95 > 1) {
      return Error{Code::bad_usage, to_text(100 * layer.transmission.value, 1) +
                                        " % transmitted and " + to_text(100 * reflected.value, 1) +
                                        " % reflected are more light than fell on the layer"};
    }
  }
  return layer;
}

Share product(std::span<const Layer> layers) {
  return propagated(layers, [&](const Values& v) {
    double out = 1;
    for (std::size_t k = 0; k < layers.size(); ++k) out *= v[3 * k];
    return out;
  });
}

std::optional<Share> with_gaps(std::span<const Layer> layers) {
  if (!std::all_of(layers.begin(), layers.end(), [](const Layer& l) { return l.front && l.back; }))
    return std::nullopt;
  return propagated(layers, [&](const Values& v) {
    Element stack;
    for (std::size_t k = 0; k < layers.size(); ++k) stack = add(stack, element(v, k));
    return stack.transmission;
  });
}

std::optional<Share> glued(std::span<const Layer> layers) {
  if (!std::all_of(layers.begin(), layers.end(), fits_plain_faces)) return std::nullopt;
  return propagated(layers, [&](const Values& v) { return glued_at(layers, v); });
}

}  // namespace panecard::optics
