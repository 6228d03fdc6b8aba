#include <CLI/CLI.hpp>
#include <algorithm>
#include <memory>
#include <opencv2/imgproc.hpp>

#include "app/app.h"
#include "app/photo_options.h"
#include "app/picture_file.h"
#include "drawings/drawings.h"
#include "measure/measure.h"
#include "model/model.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::app {
namespace {

struct Options {
  std::vector<std::string> photos;  ///< several: of one pane, whose cards stayed where they were
  PhotoOptions photo;
  std::string json, svg, dxf, overlay, drawing;
  bool inches = false, budget = false;

  Units units() const { return inches ? Units::inch : Units::mm; }
};

/// Encoded by the ending of `path`.
std::string overlay_on(const photo::Photo& photo, const model::Measurement& m, Units units,
                       const std::string& path) {
  constexpr double kLongestSide_px = 2048;
  const double scale = std::min(1.0, kLongestSide_px / std::max(photo.bgr.cols, photo.bgr.rows));
  cv::Mat picture;
  cv::resize(photo.bgr, picture, {}, scale, scale, cv::INTER_AREA);
  cv::cvtColor(picture, picture, cv::COLOR_BGR2BGRA);
  drawings::draw_overlay(
      {picture.data, picture.cols, picture.rows, static_cast<int>(picture.step), scale}, m, units);
  cv::cvtColor(picture, picture, cv::COLOR_BGRA2BGR);
  constexpr int kQuality = 90;
  return ending(path) == ".png" ? to_png(picture) : to_jpeg(picture, kQuality);
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
    if (auto failed = outputs.plan(*path, options.photos)) return failed;
  }
  return std::nullopt;
}

/// What people read is in their units; the result file is in mm.
model::Measurement in_units(model::Measurement m, Units units) {
  m.verdict = report::verdict_on(m.outline, units);
  return m;
}

void fill_outputs(const Options& options, const photo::Photo& photo, const model::Measurement& m,
                  Outputs& outputs) {
  if (!options.json.empty()) outputs.set(options.json, records::to_json(m));
  if (!options.svg.empty()) outputs.set(options.svg, drawings::to_svg(m));
  if (!options.dxf.empty()) outputs.set(options.dxf, drawings::to_dxf(m));
  if (!options.overlay.empty()) {
    outputs.set(options.overlay, overlay_on(photo, m, options.units(), options.overlay));
  }
  if (!options.drawing.empty()) {
    const model::Measurement said = in_units(m, options.units());
    outputs.set(options.drawing, ending(options.drawing) == ".pdf"
                                     ? drawings::to_drawing_pdf(said, options.units())
                                     : drawings::to_drawing_svg(said, options.units()));
  }
}

Outcome run(const Options& options) {
  const auto wanted = parse(options.photo);
  if (!wanted.ok()) return wanted.error();
  const auto photos = measure::load(options.photos);
  if (!photos.ok()) return photos.error();
  Outputs outputs;
  if (auto failed = plan_outputs(options, outputs)) return failed;
  const auto m = measure::measure(photos.value(), wanted.value());
  if (!m.ok()) return m.error();
  fill_outputs(options, photos->images.front(), m.value(), outputs);
  if (options.json == "-") return outputs.write(records::to_json(m.value()));
  const model::Measurement said = in_units(m.value(), options.units());
  std::string text = report::to_table(said, options.units());
  if (options.budget) text += "\n" + report::to_budget(said, options.units());
  return outputs.write(text);
}

}  // namespace

void add_measure(CLI::App& root, Outcome& outcome) {
  const auto o = std::make_shared<Options>();
  CLI::App* command =
      root.add_subcommand("measure", "outline of the pane in a photo, or in several");
  command
      ->add_option("photo", o->photos,
                   "JPEG, PNG, TIFF, WebP or HEIC; several: one pane, its cards left in place")
      ->required();
  add_photo_options(*command, o->photo);
  command->add_option("--json", o->json, "write the result file; - for standard output");
  command->add_option("--svg", o->svg, "write the outline at true size");
  command->add_option("--dxf", o->dxf, "write the outline for a plotter or CAD");
  command->add_option("--overlay", o->overlay,
                      "write the photo with the outline on it, .jpg or .png");
  command->add_option("--drawing", o->drawing, "write a dimension drawing, .svg or .pdf");
  command->add_flag("--budget", o->budget, "say where each plus-minus comes from");
  command->add_flag("--inches", o->inches, "inches in the table and the drawing");
  command->callback([o, &outcome] { outcome = run(*o); });
}

}  // namespace panecard::app
