#include "app/photo_options.h"

#include <CLI/CLI.hpp>
#include <charconv>
#include <cmath>
#include <optional>
#include <sstream>
#include <string_view>

#include "app/data_places.h"
#include "pattern/pattern.h"

namespace panecard::app {
namespace {

Error wrong_near(const std::string& text) {
  return {
      Code::bad_usage,
      "--near '" + text + "': give points on the boundary in pixels, as in \"310,420 980,400\""};
}

std::optional<PointPx> point_from(std::string_view text) {
  PointPx p;
  const char* end = text.data() + text.size();
  const auto x = std::from_chars(text.data(), end, p.x);
  if (x.ec != std::errc() || x.ptr == end || *x.ptr != ',') return std::nullopt;
  const auto y = std::from_chars(x.ptr + 1, end, p.y);
  if (y.ec != std::errc() || y.ptr != end) return std::nullopt;
  if (!std::isfinite(p.x) || !std::isfinite(p.y)) return std::nullopt;
  return p;
}

Result<std::vector<PointPx>> points_from(const std::vector<std::string>& arguments) {
  constexpr std::size_t kMost = 1000;
  std::vector<PointPx> points;
  for (const std::string& argument : arguments) {
    std::istringstream words(argument);
    const std::size_t before = points.size();
    for (std::string word; words >> word;) {
      const auto p = point_from(word);
      if (!p || points.size() == kMost) return wrong_near(word);
      points.push_back(*p);
    }
    if (points.size() == before) return wrong_near(argument);
  }
  return points;
}

Error not_a_length(const std::string& option, const std::string& text, const std::string& say) {
  return {Code::bad_usage, option + " '" + text + "': " + say};
}

/// --bow DEPTH@CHORD or --radius.
Result<std::optional<measure::Bow>> bow_from(const PhotoOptions& options) {
  if (options.bow.empty() && options.radius.empty()) return std::optional<measure::Bow>();
  if (!options.bow.empty() && !options.radius.empty()) {
    return Error{Code::bad_usage, "--bow and --radius say the same: give one of them"};
  }
  std::optional<measure::Bow> bow;
  if (!options.radius.empty()) {
    if (const auto radius_mm = pattern::length_mm(options.radius)) {
      bow = measure::bow_from_radius(*radius_mm);
    }
    if (!bow) {
      return not_a_length("--radius", options.radius,
                          "give a length of at least 200 mm, as 1400mm");
    }
  } else {
    const std::size_t at = options.bow.find('@');
    const auto depth_mm = pattern::length_mm(options.bow.substr(0, at));
    const auto chord_mm =
        at == std::string::npos ? std::nullopt : pattern::length_mm(options.bow.substr(at + 1));
    if (depth_mm && chord_mm) bow = measure::bow_from_depth(*depth_mm, *chord_mm);
    if (!bow) {
      return not_a_length("--bow", options.bow,
                          "give the depth under a straightedge and its length, as 12mm@500mm");
    }
  }
  bow->vertical_axis = options.bow_axis == "upright";
  return bow;
}

/// Nothing where nothing is said. Bounds are for measure::check.
Result<std::optional<double>> thickness_from(const std::string& option, const std::string& text,
                                             const std::string& example) {
  if (text.empty()) return std::optional<double>();
  const auto mm = pattern::length_mm(text);
  if (!mm) return not_a_length(option, text, "give a length, as " + example);
  return mm;
}

}  // namespace

Result<measure::Options> parse(const PhotoOptions& options) {
  measure::Options out;
  const auto boundary = measure::boundary_named(options.boundary);
  if (!boundary) {
    return Error{Code::bad_usage,
                 "--boundary '" + options.boundary + "': it is glass, solid or dots"};
  }
  out.boundary = *boundary;
  out.seen_from = options.seen_from == "inside" ? measure::Side::inside : measure::Side::outside;
  out.printed_bar_mm = options.printed_bar_mm;
  out.lens_folders = data_places("lenses");
  auto near = points_from(options.near);
  if (!near.ok()) return near.error();
  out.near = std::move(near).value();
  const auto bow = bow_from(options);
  if (!bow.ok()) return bow.error();
  out.bow = bow.value();
  const auto glass = thickness_from("--glass-thickness", options.glass_thickness, "3.2mm");
  if (!glass.ok()) return glass.error();
  out.glass_thickness_mm = glass.value();
  const auto card = thickness_from("--card-thickness", options.card_thickness, "0.76mm");
  if (!card.ok()) return card.error();
  out.card_thickness_mm = card.value();
  if (!options.plain.empty()) {
    const auto size = card::plain_size(options.plain);
    if (!size.ok()) return size.error();
    out.plain = size.value();
  }
  if (auto error = measure::check(out)) return *error;
  if (!options.lens.empty()) {
    const auto profile = photo::read_lens(options.lens);
    if (!profile.ok()) return profile.error();
    out.lens = profile.value();
  }
  return out;
}

void add_photo_options(CLI::App& command, PhotoOptions& options) {
  command.add_option("--boundary", options.boundary, "which edge of the pane to follow")
      ->check(CLI::IsMember({"glass", "solid", "dots"}))
      ->capture_default_str();
  command.add_option("--lens", options.lens, "lens profile, when it shall not be looked up");
  command.add_option("--plain", options.plain,
                     "a plain card or blank paper: id1, a4, letter or WxH mm");
  command.add_option("--near", options.near, "pixels near the wanted edge: \"x,y x,y ...\"");
  command.add_option("--bow", options.bow,
                     "the pane's bow: depth under a straightedge, as 12mm@500mm; flat: 0mm@500mm");
  command.add_option("--radius", options.radius, "the pane's radius, when that is known instead");
  command.add_option("--bow-axis", options.bow_axis, "what --bow or --radius bend about")
      ->check(CLI::IsMember({"level", "upright"}))
      ->capture_default_str();
  command.add_option("--glass-thickness", options.glass_thickness,
                     "of the glass before a printed band; else 4 mm +- 1 mm");
  command.add_option("--card-thickness", options.card_thickness,
                     "of rigid cards; else that of ISO/IEC 7810, 0.76 mm");
  command
      .add_option("--printed-bar", options.printed_bar_mm,
                  "what the 100 mm check bar of the printed coded cards measures, in mm")
      ->capture_default_str();
  command.add_option("--seen-from", options.seen_from, "the side of the pane that the camera saw")
      ->check(CLI::IsMember({"outside", "inside"}))
      ->capture_default_str();
}

}  // namespace panecard::app
