#include "app/measuring.h"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <charconv>
#include <cmath>
#include <filesystem>
#include <sstream>

#include "app/app.h"
#include "app/lens_folders.h"
#include "card/card.h"
#include "outline/outline.h"
#include "quality/quality.h"
#include "trace/trace.h"

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

trace::Boundary boundary_from(const std::string& name) {
  if (name == "solid") return trace::Boundary::solid;
  if (name == "dots") return trace::Boundary::dots;
  return trace::Boundary::glass;
}

const char* name_of(card::Kind kind) {
  switch (kind) {
    case card::Kind::sheet:
      return "sheet";
    case card::Kind::card:
      return "card";
    case card::Kind::plain:
      return "plain";
  }
  return "card";
}

std::string size_text(int width_px, int height_px) {
  return to_text(width_px, 0) + " x " + to_text(height_px, 0) + " px";
}

std::string lens_text(const photo::Lens& lens, const photo::Facts& facts) {
  if (lens.calibrated) {
    return (lens.model.empty() ? "profile" : lens.model + " profile") + ", " +
           to_text(lens.photos, 0) + " photos";
  }
  if (facts.focal_35mm) {
    return "not calibrated, " + to_text(*facts.focal_35mm, 0) +
           " mm equivalent by the photo's EXIF";
  }
  return "unknown, no focal length in the photo's EXIF";
}

struct ChosenLens {
  photo::Lens lens;
  std::vector<Finding> findings;
};

Result<ChosenLens> choose_lens(const std::string& path, const photo::Photo& photo) {
  const photo::Facts& facts = photo.facts;
  const int width = photo.bgr.cols, height = photo.bgr.rows;
  if (path.empty()) {
    if (auto lens = photo::find_lens(facts, width, height, lens_folders())) {
      return ChosenLens{*std::move(lens), {}};
    }
    return ChosenLens{photo::lens_from_facts(facts, width, height), {}};
  }
  const auto profile = photo::read_lens(path);
  if (!profile.ok()) return profile.error();
  const auto lens = photo::lens_for(profile.value(), width, height, facts.orientation);
  if (!lens) {
    return Error{Code::bad_usage, "--lens '" + path + "' is for photos of " +
                                      size_text(profile->width_px, profile->height_px) +
                                      ", this one has " + size_text(width, height) +
                                      "; calibrate with photos of this shape"};
  }
  ChosenLens chosen{*lens, {}};
  if (!facts.model.empty() && facts.model != lens->model) {
    chosen.findings.push_back(
        {"lens_of_another_phone", "the lens profile is of '" + lens->model +
                                      "' but the photo is by '" + facts.model +
                                      "': leave --lens out or give this phone's profile"});
  }
  return chosen;
}

void append(std::vector<Finding>& to, const std::vector<Finding>& from) {
  to.insert(to.end(), from.begin(), from.end());
}

/// The source that makes most of a dimension's uncertainty, with its share of the square.
std::string main_source(const outline::Outline& o, const outline::Dimension& d) {
  const auto most = std::max_element(d.parts.begin(), d.parts.end());
  if (most == d.parts.end() || !(d.u95 > 0)) return {};
  const double share = std::pow(*most / d.u95, 2);
  return " Largest source: " + o.sources[static_cast<std::size_t>(most - d.parts.begin())] + ", " +
         to_text(100 * share, 0) + " % of the long side's square.";
}

std::string verdict_on(const outline::Outline& outline) {
  std::vector<double> u95 = outline.u95_mm;
  if (u95.empty()) return {};
  std::sort(u95.begin(), u95.end());
  std::string text = "The sides are good to " + to_text(outline.long_mm.u95, 2) + " and " +
                     to_text(outline.short_mm.u95, 2) + " mm, the outline to " +
                     to_text(u95[u95.size() / 2], 2) + " mm at half of its points and " +
                     to_text(u95.back(), 2) + " mm at the worst." +
                     main_source(outline, outline.long_mm);
  if (const auto advice = formats::most_helpful(outline)) {
    text += " " + formats::say_advice(outline, *advice, formats::Units::mm);
  }
  return text;
}

/// What the photo is like, and warnings where it costs.
void judge(const photo::Photo& photo, const card::Plane& plane,
           const std::vector<card::Sighting>& cards, const Contour& contour,
           formats::Measurement& m) {
  const quality::Look look = quality::look(photo, plane, cards, contour);
  const std::vector<quality::Number> numbers = quality::numbers(look, m.outline);
  for (const quality::Number& n : numbers) {
    m.quality.push_back({n.name, n.value, n.unit, n.long_u95_mm, n.remedy});
  }
  append(m.warnings, quality::findings(numbers, m.outline));
}

Result<formats::Measurement> measured(const photo::Photo& photo, const PhotoOptions& options,
                                      const std::vector<PointPx>& near) {
  for (const PointPx p : near) {
    if (p.x < 0 || p.y < 0 || p.x > photo.bgr.cols || p.y > photo.bgr.rows) {
      return Error{Code::bad_usage, "--near " + to_text(p.x, 1) + "," + to_text(p.y, 1) +
                                        " is outside the photo of " +
                                        size_text(photo.bgr.cols, photo.bgr.rows) +
                                        "; give pixels of the upright photo"};
    }
  }
  card::FindOptions find;
  if (!options.plain.empty()) {
    const auto size = card::plain_size(options.plain);
    if (!size.ok()) return size.error();
    find.plain = size.value();
  }
  const auto chosen = choose_lens(options.lens, photo);
  if (!chosen.ok()) return chosen.error();
  const photo::Lens& lens = chosen->lens;

  const auto cards = card::find_cards(photo, lens, find);
  if (!cards.ok()) return cards.error();
  const auto plane = card::fit_plane(cards.value(), lens);
  if (!plane.ok()) return plane.error();
  trace::Options tracing;
  tracing.boundary = boundary_from(options.boundary);
  tracing.near = near;
  const auto traced = trace::trace(photo, plane.value(), cards.value(), tracing);
  if (!traced.ok()) return traced.error();
  auto outline = outline::fit(traced->contour);
  if (!outline.ok()) return outline.error();

  formats::Measurement m;
  m.boundary = options.boundary;
  m.verdict = verdict_on(outline.value());
  m.outline = std::move(outline.value());
  for (const card::Sighting& card : cards.value()) {
    m.cards.push_back({name_of(card.kind), card.id, card.body_px});
  }
  append(m.warnings, chosen->findings);
  append(m.warnings, plane->findings);
  append(m.warnings, traced->findings);
  judge(photo, plane.value(), cards.value(), traced->contour, m);
  m.photo_name = std::filesystem::path(options.path).filename().string();
  m.photo_width_px = photo.bgr.cols;
  m.photo_height_px = photo.bgr.rows;
  m.lens_text = lens_text(lens, photo.facts);
  return m;
}

}  // namespace

Result<std::vector<PointPx>> near_points(const PhotoOptions& options) {
  constexpr std::size_t kMost = 1000;
  std::vector<PointPx> points;
  for (const std::string& argument : options.near) {
    std::istringstream words(argument);
    std::size_t before = points.size();
    for (std::string word; words >> word;) {
      const auto p = point_from(word);
      if (!p || points.size() == kMost) return wrong_near(word);
      points.push_back(*p);
    }
    if (points.size() == before) return wrong_near(argument);
  }
  return points;
}

Result<formats::Measurement> measure(const photo::Photo& photo, const PhotoOptions& options,
                                     const std::vector<PointPx>& near) {
  auto m = measured(photo, options, near);
  if (m.ok()) return m;
  const bool about_photo = exit_status(m.error().code) == exit_status(Code::card_not_found);
  return Error{m.error().code,
               (about_photo ? "'" + options.path + "': " : std::string()) + m.error().detail};
}

void add_photo_options(CLI::App& command, PhotoOptions& options) {
  command.add_option("--boundary", options.boundary, "which edge of the pane to follow")
      ->check(CLI::IsMember({"glass", "solid", "dots"}))
      ->capture_default_str();
  command.add_option("--lens", options.lens, "lens profile, when it shall not be looked up");
  command.add_option("--plain", options.plain,
                     "a plain card or blank paper: id1, a4, letter or WxH mm");
  command.add_option("--near", options.near, "pixels near the wanted edge: \"x,y x,y ...\"");
}

}  // namespace panecard::app
