#include <CLI/CLI.hpp>
#include <algorithm>
#include <charconv>
#include <cmath>
#include <filesystem>
#include <memory>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <sstream>

#include "app/app.h"
#include "app/lens_folders.h"
#include "card/card.h"
#include "formats/formats.h"
#include "outline/outline.h"
#include "photo/photo.h"
#include "trace/trace.h"

namespace panecard::app {
namespace {

struct Options {
  std::string photo, boundary = "glass", lens, plain;
  std::vector<std::string> near;
  std::string json, svg, dxf, overlay, drawing;
  bool inches = false;

  formats::Units units() const { return inches ? formats::Units::inch : formats::Units::mm; }
};

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

Result<std::vector<PointPx>> near_points(const std::vector<std::string>& arguments) {
  constexpr std::size_t kMost = 1000;
  std::vector<PointPx> points;
  for (const std::string& argument : arguments) {
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

std::string verdict_on(const outline::Outline& outline) {
  std::vector<double> u95 = outline.u95_mm;
  if (u95.empty()) return {};
  std::sort(u95.begin(), u95.end());
  return "The outline is known to " + to_text(u95[u95.size() / 2], 2) +
         " mm at half of its points, " + to_text(u95.back(), 2) + " mm at the worst.";
}

void append(std::vector<Finding>& to, const std::vector<Finding>& from) {
  to.insert(to.end(), from.begin(), from.end());
}

Result<formats::Measurement> measure(const photo::Photo& photo, const Options& options,
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
  m.photo_name = std::filesystem::path(options.photo).filename().string();
  m.photo_width_px = photo.bgr.cols;
  m.photo_height_px = photo.bgr.rows;
  m.lens_text = lens_text(lens, photo.facts);
  return m;
}

/// Encoded by the ending of `path`.
std::string overlay_on(const photo::Photo& photo, const formats::Measurement& m,
                       formats::Units units, const std::string& path) {
  constexpr double kLongestSide_px = 2048;
  const double scale = std::min(1.0, kLongestSide_px / std::max(photo.bgr.cols, photo.bgr.rows));
  cv::Mat picture;
  cv::resize(photo.bgr, picture, {}, scale, scale, cv::INTER_AREA);
  cv::cvtColor(picture, picture, cv::COLOR_BGR2BGRA);
  formats::draw_overlay(
      {picture.data, picture.cols, picture.rows, static_cast<int>(picture.step), scale}, m, units);
  cv::cvtColor(picture, picture, cv::COLOR_BGRA2BGR);
  std::vector<unsigned char> bytes;
  cv::imencode(ending(path), picture, bytes, {cv::IMWRITE_JPEG_QUALITY, 90});
  return {bytes.begin(), bytes.end()};
}

Outcome plan_outputs(const Options& options, Outputs& outputs) {
  const auto is_one_of = [](const std::string& path, std::initializer_list<const char*> endings) {
    const std::string is = ending(path);
    return path.empty() || std::find(endings.begin(), endings.end(), is) != endings.end();
  };
  if (!is_one_of(options.overlay, {".jpg", ".jpeg", ".png"})) {
    return Error{Code::bad_usage, "--overlay '" + options.overlay + "': name a .jpg or .png file"};
  }
  if (!is_one_of(options.drawing, {".svg", ".pdf"})) {
    return Error{Code::bad_usage, "--drawing '" + options.drawing + "': name an .svg or .pdf file"};
  }
  for (const std::string* path :
       {&options.json, &options.svg, &options.dxf, &options.overlay, &options.drawing}) {
    if (path->empty() || (path == &options.json && *path == "-")) continue;
    if (auto failed = outputs.plan(*path, options.photo)) return failed;
  }
  return std::nullopt;
}

void fill_outputs(const Options& options, const photo::Photo& photo, const formats::Measurement& m,
                  Outputs& outputs) {
  if (!options.json.empty()) outputs.set(options.json, formats::to_json(m));
  if (!options.svg.empty()) outputs.set(options.svg, formats::to_svg(m));
  if (!options.dxf.empty()) outputs.set(options.dxf, formats::to_dxf(m));
  if (!options.overlay.empty()) {
    outputs.set(options.overlay, overlay_on(photo, m, options.units(), options.overlay));
  }
  if (!options.drawing.empty()) {
    outputs.set(options.drawing, ending(options.drawing) == ".pdf"
                                     ? formats::to_drawing_pdf(m, options.units())
                                     : formats::to_drawing_svg(m, options.units()));
  }
}

Outcome run(const Options& options) {
  const auto near = near_points(options.near);
  if (!near.ok()) return near.error();
  const auto photo = photo::load(options.photo);
  if (!photo.ok()) return photo.error();
  Outputs outputs;
  if (auto failed = plan_outputs(options, outputs)) return failed;
  const auto m = measure(photo.value(), options, near.value());
  if (!m.ok()) {
    const bool about_photo = exit_status(m.error().code) == exit_status(Code::card_not_found);
    return Error{m.error().code,
                 (about_photo ? "'" + options.photo + "': " : std::string()) + m.error().detail};
  }
  fill_outputs(options, photo.value(), m.value(), outputs);
  return outputs.write(options.json == "-" ? formats::to_json(m.value())
                                           : formats::to_table(m.value(), options.units()));
}

}  // namespace

void add_measure(CLI::App& root, Outcome& outcome) {
  const auto o = std::make_shared<Options>();
  CLI::App* command = root.add_subcommand("measure", "outline of the pane in a photo");
  command->add_option("photo", o->photo, "JPEG, PNG, TIFF, WebP or HEIC")->required();
  command->add_option("--boundary", o->boundary, "which edge of the pane to follow")
      ->check(CLI::IsMember({"glass", "solid", "dots"}))
      ->capture_default_str();
  command->add_option("--lens", o->lens, "lens profile, when it shall not be looked up");
  command->add_option("--plain", o->plain,
                      "a plain card or blank paper: id1, a4, letter or WxH mm");
  command->add_option("--near", o->near, "pixels near the wanted edge: \"x,y x,y ...\"");
  command->add_option("--json", o->json, "write the result file; - for standard output");
  command->add_option("--svg", o->svg, "write the outline at true size");
  command->add_option("--dxf", o->dxf, "write the outline for a plotter or CAD");
  command->add_option("--overlay", o->overlay,
                      "write the photo with the outline on it, .jpg or .png");
  command->add_option("--drawing", o->drawing, "write a dimension drawing, .svg or .pdf");
  command->add_flag("--inches", o->inches, "inches in the table and the drawing");
  command->callback([o, &outcome] { outcome = run(*o); });
}

}  // namespace panecard::app
