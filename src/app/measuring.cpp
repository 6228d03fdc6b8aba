#include "app/measuring.h"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <charconv>
#include <cmath>
#include <filesystem>
#include <opencv2/core/utility.hpp>
#include <sstream>

#include "app/app.h"
#include "app/data_places.h"
#include "model/model.h"
#include "outline/outline.h"
#include "pattern/pattern.h"
#include "quality/quality.h"
#include "records/records.h"
#include "report/report.h"

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
    if (auto lens = photo::find_lens(facts, width, height, data_places("lenses"))) {
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
  return " Largest source: " + o.sources[static_cast<std::size_t>(most - d.parts.begin())].text() +
         ", " + to_text(100 * share, 0) + " % of the long side's square.";
}

/// What the photo is like, and warnings where it costs.
void judge(const quality::Look& look, model::Measurement& m) {
  const std::vector<model::QualityFigure> numbers = quality::numbers(look, m.outline);
  m.quality = numbers;
  append(m.warnings, quality::findings(numbers, m.outline));
  const std::vector<SourceName>& sources = m.outline.sources;
  if (std::find(sources.begin(), sources.end(), SourceName(ErrorSource::box_choice)) !=
      sources.end()) {
    m.warnings.push_back(
        {"box_not_sure",
         "another rectangle encloses this pane about as closely, so that the box's sides may be "
         "those of either; the outline itself is not concerned"});
  }
}

Error not_a_length(const std::string& option, const std::string& text, const std::string& say) {
  return {Code::bad_usage, option + " '" + text + "': " + say};
}

/// --bow DEPTH@CHORD or --radius, as seen from the camera's side.
Result<std::optional<card::KnownBow>> known_bow(const PhotoOptions& options) {
  if (options.bow.empty() && options.radius.empty()) return std::optional<card::KnownBow>();
  if (!options.bow.empty() && !options.radius.empty()) {
    return Error{Code::bad_usage, "--bow and --radius say the same: give one of them"};
  }
  card::KnownBow bow;
  bow.upright_axis = options.bow_axis == "upright";
  const double side = options.seen_from == "inside" ? -1 : 1;
  if (!options.radius.empty()) {
    const auto radius = pattern::length_mm(options.radius);
    constexpr double kLeast_mm = 200, kSigmaShare = 0.05;  // as good as a template held against it
    if (!radius || *radius < kLeast_mm) {
      return not_a_length("--radius", options.radius,
                          "give a length of at least 200 mm, as 1400mm");
    }
    bow.curvature_per_mm = side / *radius;
    bow.sigma_per_mm = kSigmaShare / *radius;
    return std::optional(bow);
  }
  const std::size_t at = options.bow.find('@');
  const auto depth = pattern::length_mm(options.bow.substr(0, at));
  const auto chord =
      at == std::string::npos ? std::nullopt : pattern::length_mm(options.bow.substr(at + 1));
  if (!depth || !chord || *chord < 50 || *depth < 0 || *depth > *chord / 4) {
    return not_a_length("--bow", options.bow,
                        "give the depth under a straightedge and its length, as 12mm@500mm");
  }
  // Sagitta d over chord c: 1/R = 8 d / (c^2 + 4 d^2). Read with a rule to half a millimetre.
  constexpr double kSigmaDepth_mm = 0.3;
  const double square = *chord * *chord;
  bow.curvature_per_mm = side * 8 * *depth / (square + 4 * *depth * *depth);
  bow.sigma_per_mm = 8 * kSigmaDepth_mm / square;
  return std::optional(bow);
}

Result<trace::Options> tracing_options(const PhotoOptions& options,
                                       const std::vector<PointPx>& near) {
  trace::Options tracing;
  tracing.boundary = boundary_from(options.boundary);
  tracing.near = near;
  if (!options.glass_thickness.empty()) {
    const auto thickness = pattern::length_mm(options.glass_thickness);
    if (!thickness || *thickness <= 0 || *thickness > 30) {
      return not_a_length("--glass-thickness", options.glass_thickness,
                          "give a length up to 30 mm, as 3.2mm");
    }
    tracing.glass_thickness_mm = *thickness;
    tracing.sigma_glass_thickness_mm = 0.1;  // a nominal size, or a gauge on the pane's edge
  }
  if (options.seen_from == "inside") {  // the print is on the face that the camera sees
    tracing.glass_thickness_mm = tracing.sigma_glass_thickness_mm = 0;
  }
  return tracing;
}

std::optional<Error> outside_photo(const photo::Photo& photo, const std::vector<PointPx>& near) {
  for (const PointPx p : near) {
    if (p.x < 0 || p.y < 0 || p.x > photo.bgr.cols || p.y > photo.bgr.rows) {
      return Error{Code::bad_usage, "--near " + to_text(p.x, 1) + "," + to_text(p.y, 1) +
                                        " is outside the photo of " +
                                        size_text(photo.bgr.cols, photo.bgr.rows) +
                                        "; give pixels of the upright photo"};
    }
  }
  return std::nullopt;
}

model::Face face_of(const card::Plane& plane) {
  const card::Curvature c = card::curvature_of(plane);
  return {plane.bent_probability, c.strong,  2 * c.sigma_strong, c.weak,
          2 * c.sigma_weak,       c.axis_deg};
}

struct Looked {
  std::vector<card::View> views;
  std::vector<Finding> findings;
};

/// "'photo.jpg': " where it is the photo that is at fault.
Error about(const std::string& path, const Error& error) {
  const bool photo = exit_status(error.code) == exit_status(Code::card_not_found);
  return {error.code, (photo ? "'" + path + "': " : std::string()) + error.detail};
}

constexpr double kCheckBar_mm = 100;

Result<Looked> look_for_cards(const std::vector<photo::Photo>& photos,
                              const PhotoOptions& options) {
  card::FindOptions find;
  if (!options.plain.empty()) {
    const auto size = card::plain_size(options.plain);
    if (!size.ok()) return size.error();
    find.plain = size.value();
  }
  std::optional<double> thickness;
  if (!options.card_thickness.empty()) {
    thickness = pattern::length_mm(options.card_thickness);
    if (!thickness || *thickness < 0 || *thickness > 20) {
      return not_a_length("--card-thickness", options.card_thickness,
                          "give a length up to 20 mm, as 0.76mm");
    }
  }
  if (!(std::abs(options.printed_bar_mm - kCheckBar_mm) <= 3)) {
    return Error{Code::bad_usage, "--printed-bar " + to_text(options.printed_bar_mm, 1) +
                                      " is outside 97 to 103 mm: the page was fitted to the paper; "
                                      "print the cards again at 100 %"};
  }
  Looked looked;
  for (std::size_t i = 0; i < photos.size(); ++i) {
    const auto chosen = choose_lens(options.lens, photos[i]);
    if (!chosen.ok()) return chosen.error();
    auto cards = card::find_cards(photos[i], chosen->lens, find);
    if (!cards.ok()) return about(options.paths[i], cards.error());
    for (card::Sighting& card : cards.value()) {
      if (thickness && card.kind != card::Kind::sheet) card.thickness_mm = *thickness;
      card::scale_print(options.printed_bar_mm / kCheckBar_mm, card);
    }
    looked.views.push_back({std::move(cards.value()), chosen->lens});
    append(looked.findings, chosen->findings);
  }
  return looked;
}

/// Each finding once: several photos share most of them.
void append_new(std::vector<Finding>& to, const std::vector<Finding>& from) {
  for (const Finding& f : from) {
    const bool known = std::any_of(to.begin(), to.end(), [&](const Finding& other) {
      return other.code == f.code && (other.text == f.text || f.code == "lens_unknown");
    });
    if (!known) to.push_back(f);
  }
}

/// As an error names them.
std::string whole(const std::vector<std::string>& paths) {
  return paths.size() == 1 ? paths.front() : std::to_string(paths.size()) + " photos";
}

/// Of the file as it lies there, so that a later command can tell it from others of its name.
std::string sha256_of(const std::string& path) {
  constexpr std::size_t kMostBytes = std::size_t{512} << 20;
  const auto bytes = read_file(path, kMostBytes);
  return bytes.ok() ? records::hex(records::sha256(bytes.value())) : std::string();
}

std::string names_of(const std::vector<std::string>& paths) {
  std::string names;
  for (const std::string& path : paths) {
    names += (names.empty() ? "" : ", ") + std::filesystem::path(path).filename().string();
  }
  return names;
}

}  // namespace

std::string verdict_on(const outline::Outline& outline, Units units) {
  std::vector<double> u95 = outline.u95_mm;
  if (u95.empty()) return {};
  std::sort(u95.begin(), u95.end());
  const bool inches = units == Units::inch;
  const auto said = [inches](double mm) {
    return inches ? to_text(mm / 25.4, 3) + " in" : to_text(mm, 2) + " mm";
  };
  std::string text = "The sides are good to " + said(outline.long_mm.u95) + " and " +
                     said(outline.short_mm.u95) + ", the outline to " + said(u95[u95.size() / 2]) +
                     " at half of its points and " + said(u95.back()) + " at the worst." +
                     main_source(outline, outline.long_mm);
  if (const auto advice = outline::most_helpful(outline)) {
    text += " " + report::say_advice(outline, *advice, units);
  }
  return text;
}

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

Result<std::vector<photo::Photo>> load_photos(const PhotoOptions& options) {
  constexpr std::size_t kMost = 12;  // of 12 megapixels each, they take about half a gigabyte
  if (options.paths.size() > kMost) {
    return Error{Code::bad_usage, "at most 12 photos of one pane; leave the weakest out"};
  }
  std::vector<photo::Photo> photos;
  for (const std::string& path : options.paths) {
    auto photo = photo::load(path);
    if (!photo.ok()) return photo.error();
    photos.push_back(std::move(photo.value()));
  }
  return photos;
}

Result<Prepared> prepare(const std::vector<photo::Photo>& photos, const PhotoOptions& options) {
  const auto bow = known_bow(options);
  if (!bow.ok()) return bow.error();
  auto looked = look_for_cards(photos, options);
  if (!looked.ok()) return looked.error();
  auto planes = card::fit_planes(looked->views, bow.value());
  if (!planes.ok()) return about(whole(options.paths), planes.error());
  return Prepared{std::move(looked.value().views), std::move(planes).value(),
                  std::move(looked.value().findings)};
}

std::vector<trace::Shot> shots_of(const std::vector<photo::Photo>& photos,
                                  const Prepared& prepared) {
  std::vector<trace::Shot> shots;
  for (std::size_t i = 0; i < photos.size(); ++i) {
    shots.push_back({&photos[i], &prepared.planes[i], &prepared.views[i].cards});
  }
  return shots;
}

Result<trace::Traced> trace_boundary(const std::vector<photo::Photo>& photos,
                                     const PhotoOptions& options, const Prepared& prepared,
                                     const std::vector<PointPx>& near) {
  const auto tracing = tracing_options(options, near);
  if (!tracing.ok()) return tracing.error();
  auto traced = trace::trace(shots_of(photos, prepared), tracing.value());
  if (!traced.ok()) return about(whole(options.paths), traced.error());
  return traced;
}

Result<model::Measurement> sized(const std::vector<photo::Photo>& photos,
                                 const PhotoOptions& options, const Prepared& prepared,
                                 const trace::Traced& traced) {
  const std::vector<card::View>& views = prepared.views;
  // What the photo is like does not hang on the outline, which one core alone fits.
  auto looked = beside(cv::getNumThreads() > 1, [&] {
    return quality::look(photos.front(), prepared.planes.front(), views.front().cards,
                         traced.contour);
  });
  auto outline = outline::fit(traced.contour);
  if (!outline.ok()) return about(whole(options.paths), outline.error());
  model::Measurement m;
  m.boundary = options.boundary;
  m.verdict = verdict_on(outline.value(), Units::mm);
  m.outline = std::move(outline.value());
  for (const card::Sighting& card : views.front().cards) {
    m.cards.push_back({name_of(card.kind), card.id, card.body_px});
  }
  append_new(m.warnings, prepared.findings);
  for (const card::Plane& plane : prepared.planes) append_new(m.warnings, plane.findings);
  append_new(m.warnings, traced.findings);
  judge(looked.get(), m);
  m.face = face_of(prepared.planes.front());
  m.photo_name = names_of(options.paths);
  m.photo_width_px = photos.front().bgr.cols;
  m.photo_height_px = photos.front().bgr.rows;
  m.lens_text = lens_text(views.front().lens, photos.front().facts);
  return m;
}

void complete(const PhotoOptions& options, const trace::Traced& traced, model::Measurement& m) {
  auto sha256 = beside(cv::getNumThreads() > 1, [&] { return sha256_of(options.paths.front()); });
  m.covariance = outline::at_outline_points(traced.contour, m.outline);
  m.photo_sha256 = sha256.get();
}

Result<model::Measurement> measure(const std::vector<photo::Photo>& photos,
                                   const PhotoOptions& options, const std::vector<PointPx>& near) {
  if (auto error = outside_photo(photos.front(), near)) return *error;
  const auto tracing = tracing_options(options, near);  // before the long work
  if (!tracing.ok()) return tracing.error();
  const auto prepared = prepare(photos, options);
  if (!prepared.ok()) return prepared.error();
  const auto traced = trace_boundary(photos, options, prepared.value(), near);
  if (!traced.ok()) return traced.error();
  auto m = sized(photos, options, prepared.value(), traced.value());
  if (m.ok()) complete(options, traced.value(), m.value());
  return m;
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
