#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cmath>
#include <cstdio>
#include <memory>

#include "app/app.h"
#include "card/card.h"
#include "lens/lens.h"
#include "photo/photo.h"

namespace panecard::app {
namespace {

struct Options {
  std::vector<std::string> photos;
  std::string out;
};

/// What all photos must share; from the first.
struct Camera {
  photo::Exif exif;
  int width_px = 0, height_px = 0;
};

struct Seen {
  std::vector<lens::View> views;
  std::vector<std::string> notes;  ///< per photo: why its sheet was not found; else empty
  Camera camera;
};

/// Corners of a photo whose sensor was turned otherwise, in the frame of the first photo.
std::optional<std::vector<card::Corner>> turned(std::vector<card::Corner> corners,
                                                const photo::Photo& photo, const Camera& camera) {
  const auto from = photo::quarter_turns(photo.exif.orientation);
  const auto to = photo::quarter_turns(camera.exif.orientation);
  if (!from || !to) return std::nullopt;
  int width = photo.bgr.cols, height = photo.bgr.rows;
  for (int i = 0; i < (*to - *from + 4) % 4; ++i) {
    for (card::Corner& corner : corners) {
      corner.seen = {height - corner.seen.y, corner.seen.x};
    }
    std::swap(width, height);
  }
  if (width != camera.width_px || height != camera.height_px) return std::nullopt;
  return corners;
}

Error other_camera(const std::string& path, const std::string& first) {
  return {Code::bad_usage, "'" + path +
                               "' is by another phone, or has another shape or size, than '" +
                               first + "'; give photos by one phone, neither cropped nor zoomed"};
}

Result<lens::View> sheet_in(const std::string& path, const photo::Photo& photo, std::string& note) {
  lens::View view{path, {}};
  const photo::Lens rough = photo::lens_from_exif(photo.exif, photo.bgr.cols, photo.bgr.rows);
  card::DetectOptions find;
  find.allow_cut_off = true;  // a photo whose sheet reaches over the edge tells most of the edge
  const auto cards = card::detect_cards(photo, rough, find);
  if (!cards.ok()) {
    note = cards.error().detail;
    return view;
  }
  for (const card::DetectedCard& card : cards.value()) {
    if (card.kind == card::Kind::sheet) view.corners = card.corners;
  }
  if (view.corners.empty()) note = "no coded sheet in it";
  return view;
}

Result<Seen> look_at(const std::vector<std::string>& paths) {
  Seen seen;
  for (const std::string& path : paths) {
    const auto photo = photo::load(path);
    if (!photo.ok()) return photo.error();
    if (seen.views.empty()) {
      seen.camera = {photo->exif, photo->bgr.cols, photo->bgr.rows};
    }
    const photo::Exif& exif = photo->exif;
    const photo::Exif& first = seen.camera.exif;
    if (exif.make != first.make || exif.model != first.model || exif.focal_mm != first.focal_mm ||
        exif.focal_35mm != first.focal_35mm) {
      return other_camera(path, paths.front());
    }
    std::string note;
    auto view = sheet_in(path, photo.value(), note);
    if (!view.ok()) return view.error();
    auto corners = turned(std::move(view.value().corners), photo.value(), seen.camera);
    if (!corners) return other_camera(path, paths.front());
    view.value().corners = *std::move(corners);
    seen.views.push_back(std::move(view.value()));
    seen.notes.push_back(note);
    show_progress(std::to_string(seen.views.size()) + " of " + std::to_string(paths.size()) +
                  " photos");
  }
  show_progress("");
  return seen;
}

std::string with_u95(const photo::Lens& lens, photo::LensIndex i, int decimals) {
  return to_text(lens.value[i], decimals) + " ± " +
         to_text(2 * std::sqrt(lens.covariance(i, i)), decimals);
}

std::string report(const lens::Calibration& calibration, const Seen& seen) {
  const photo::Lens& lens = calibration.lens;
  std::string text;
  for (std::size_t i = 0; i < seen.views.size(); ++i) {
    const std::string& note = seen.notes[i];
    const double rms_px = calibration.view_rms_px[i];
    text += "  " + one_line(seen.views[i].name) + ": " +
            (rms_px > 0 ? to_text(rms_px, 3) + " px rms"
                        : "not used" + (note.empty() ? std::string() : ", " + one_line(note))) +
            "\n";
  }
  text += "  f " + with_u95(lens, photo::kF, 1) + " px, centre " + with_u95(lens, photo::kCx, 1) +
          ", " + with_u95(lens, photo::kCy, 1) + " px\n  k1 " + with_u95(lens, photo::kK1, 5) +
          ", k2 " + with_u95(lens, photo::kK2, 5) + " (± holds for 95 %)\n";
  for (const Finding& finding : calibration.findings) {
    text += "  ! " + one_line(finding.text) + " [" + finding.code + "]\n";
  }
  return text;
}

Outcome run(const Options& options) {
  Outputs outputs;
  if (auto failed = outputs.plan(options.out, options.photos)) return failed;
  const auto seen = look_at(options.photos);
  if (!seen.ok()) return seen.error();
  const Camera& camera = seen->camera;
  auto calibration = lens::calibrate(seen->views, camera.width_px, camera.height_px);
  if (!calibration.ok()) return calibration.error();
  photo::Lens& lens = calibration.value().lens;
  lens.make = camera.exif.make;
  lens.model = camera.exif.model;
  lens.orientation = camera.exif.orientation;
  outputs.set(options.out, photo::lens_to_json(lens));
  return outputs.write(report(calibration.value(), seen.value()));
}

}  // namespace

void add_lens(CLI::App& root, Outcome& outcome) {
  const auto options = std::make_shared<Options>();
  CLI::App* command =
      root.add_subcommand("lens", "calibrate a phone's lens from photos of the coded sheet");
  command
      ->add_option("photos", options->photos, "six or more, the sheet tilted differently in each")
      ->required();
  command->add_option("--out", options->out, "lens profile to write, .json")->required();
  command->callback([options, &outcome] { outcome = run(*options); });
}

}  // namespace panecard::app
