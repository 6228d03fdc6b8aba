#include <CLI/CLI.hpp>
#include <array>
#include <ctime>
#include <filesystem>
#include <memory>
#include <set>

#include "app/app.h"
#include "app/job_photos.h"
#include "drawings/drawings.h"
#include "optics/optics.h"
#include "records/records.h"

namespace panecard::app {
namespace {

namespace fs = std::filesystem;

struct Options {
  std::vector<std::string> files, photos, notes;
  std::string layout, vehicle, date, paper = "a4", pdf, html;
  std::string glass, film, glass_reflectance, film_reflectance;
  bool inches = false;

  Units units() const { return inches ? Units::inch : Units::mm; }
};

std::string today() {
  const std::time_t now = std::time(nullptr);
  std::tm local{};
  localtime_r(&now, &local);
  std::array<char, 16> text{};
  const std::size_t length = std::strftime(text.data(), text.size(), "%Y-%m-%d", &local);
  return {text.data(), length};
}

/// The file's name, with its folder's before it where any two files are called alike.
std::string name_of(const std::string& path, const std::vector<std::string>& all) {
  std::set<std::string> stems;
  for (const std::string& p : all) stems.insert(fs::path(p).stem().string());
  const std::string stem = fs::path(path).stem().string();
  const std::string folder = fs::path(path).parent_path().filename().string();
  return stems.size() < all.size() && !folder.empty() ? folder + ", " + stem : stem;
}

struct Read {
  drawings::Job job;
  std::vector<std::string> pane_paths;
};

Outcome read_one(const std::string& path, const Options& o, Read& read) {
  const auto format = records::read_format(path);
  if (!format.ok()) return format.error();
  if (format.value() == "panecard-outline") {
    auto measured = records::read_measurement(path);
    if (!measured.ok()) return measured.error();
    read.job.panes.push_back({name_of(path, o.files), std::move(measured).value(), {}, {}});
    read.pane_paths.push_back(path);
    return std::nullopt;
  }
  if (format.value() == "panecard-piece") {
    auto piece = records::read_piece(path);
    if (!piece.ok()) return piece.error();
    read.job.pieces.push_back(std::move(piece).value());
    return std::nullopt;
  }
  return Error{Code::unreadable_file,
               "'" + path + "' is a " + format.value() +
                   " file; a job sheet takes result files and pieces, and a layout "
                   "with --layout"};
}

/// "8%" for both sides, "8%/10%" for the outer and the inner one.
Outcome add_reflectances(const std::string& option, const std::string& text, optics::Layer& layer) {
  if (text.empty()) return std::nullopt;
  const std::size_t slash = text.find('/');
  const bool spread = slash != std::string::npos && slash > 0 && text[slash - 1] == '+';
  const std::size_t cut = spread ? text.find('/', slash + 1) : slash;
  const auto front = optics::parse_share(text.substr(0, cut));
  if (!front.ok()) return Error{front.error().code, option + ": " + front.error().detail};
  const auto back = cut == std::string::npos ? front : optics::parse_share(text.substr(cut + 1));
  if (!back.ok()) return Error{back.error().code, option + ": " + back.error().detail};
  layer.front = front.value();
  layer.back = back.value();
  return std::nullopt;
}

Result<optics::Layer> layer_of(const std::string& name, const std::string& transmission,
                               const std::string& reflectance) {
  optics::Layer layer;
  const auto share = optics::parse_share(transmission);
  if (!share.ok()) {
    return Error{share.error().code, "--" + name + "-transmission: " + share.error().detail};
  }
  layer.transmission = share.value();
  if (auto failed = add_reflectances("--" + name + "-reflectance", reflectance, layer)) {
    return *failed;
  }
  const auto sound = optics::checked(layer);
  if (!sound.ok()) return Error{sound.error().code, "the " + name + ": " + sound.error().detail};
  return layer;
}

/// Film lies on the inner face: light meets the glass first.
Outcome add_light(const Options& o, drawings::Job& job) {
  if (o.glass.empty() && o.film.empty()) {
    if (o.glass_reflectance.empty() && o.film_reflectance.empty()) return std::nullopt;
    return Error{Code::bad_usage,
                 "reflectances are used with --glass-transmission and "
                 "--film-transmission; give them as well"};
  }
  if (o.glass.empty() || o.film.empty()) {
    return Error{Code::bad_usage,
                 "give both --glass-transmission and --film-transmission, as 77% and 35%"};
  }
  const auto glass = layer_of("glass", o.glass, o.glass_reflectance);
  if (!glass.ok()) return glass.error();
  const auto film = layer_of("film", o.film, o.film_reflectance);
  if (!film.ok()) return film.error();
  const std::array<optics::Layer, 2> both = {glass.value(), film.value()};
  job.light = drawings::JobLight{
      glass->transmission,   film->transmission,
      optics::product(both), optics::with_gaps(both),
      optics::glued(both),   glass->front.has_value() && film->front.has_value()};
  return std::nullopt;
}

Outcome wrong_options(const Options& o) {
  constexpr std::size_t kMostFiles = 100, kMostNotes = 60;
  if (o.files.empty()) {
    return Error{Code::bad_usage,
                 "job needs the panes: result files of measure --json and pieces of piece --json"};
  }
  if (o.files.size() > kMostFiles || o.notes.size() > kMostNotes) {
    return Error{Code::bad_usage, "a job sheet takes 100 files and 60 notes at most; make two"};
  }
  if (o.pdf.empty() && o.html.empty()) {
    return Error{Code::bad_usage, "name a file with --pdf or --html, or one with each"};
  }
  return std::nullopt;
}

Outcome plan(const Options& o, Outputs& outputs) {
  std::vector<std::string> inputs = o.files;
  inputs.insert(inputs.end(), o.photos.begin(), o.photos.end());
  if (!o.layout.empty()) inputs.push_back(o.layout);
  for (const std::string* path : {&o.pdf, &o.html}) {
    if (path->empty()) continue;
    if (auto failed = outputs.plan(*path, inputs)) return failed;
  }
  return std::nullopt;
}

std::string told(const Options& o, const drawings::Job& job) {
  const auto counted = [](std::size_t n, const std::string& what) {
    return std::to_string(n) + " " + what + (n == 1 ? "" : "s");
  };
  std::string out = "Job sheet with " + counted(job.panes.size(), "outline") + " and " +
                    counted(job.pieces.size(), "film piece") + ":";
  for (const std::string* path : {&o.pdf, &o.html}) {
    if (!path->empty()) out += " " + one_line(*path);
  }
  out += "\n";
  for (const drawings::JobPane& pane : job.panes) {
    if (!pane.photo) out += "  ! " + one_line(pane.name) + ": " + one_line(pane.no_photo) + "\n";
  }
  return out;
}

Outcome run(const Options& o) {
  if (auto failed = wrong_options(o)) return failed;
  Outputs outputs;
  if (auto failed = plan(o, outputs)) return failed;
  Read read;
  drawings::Job& job = read.job;
  for (const std::string& path : o.files) {
    if (auto failed = read_one(path, o, read)) return failed;
  }
  if (!o.layout.empty()) {
    auto layout = records::read_layout(o.layout);
    if (!layout.ok()) return layout.error();
    job.layout = std::move(layout).value();
  }
  job.vehicle = o.vehicle;
  job.date = o.date.empty() ? today() : o.date;
  job.notes = o.notes;
  if (auto failed = add_light(o, job)) return failed;
  if (auto failed = add_photos(job.panes, read.pane_paths, o.photos, o.units())) return failed;
  const drawings::Paper paper = o.paper == "letter" ? drawings::Paper::letter : drawings::Paper::a4;
  if (!o.pdf.empty()) outputs.set(o.pdf, drawings::to_job_pdf(job, paper, o.units()));
  if (!o.html.empty()) outputs.set(o.html, drawings::to_job_html(job, paper, o.units()));
  return outputs.write(told(o, job));
}

}  // namespace

void add_job(CLI::App& root, Outcome& outcome) {
  const auto o = std::make_shared<Options>();
  CLI::App* command = root.add_subcommand("job", "one sheet with all that a vehicle needs");
  const auto several = [&](const char* name, std::vector<std::string>& into, const char* help) {
    command->add_option(name, into, help)->allow_extra_args(false);
  };
  command->add_option("file", o->files, "result files of measure, piece files of piece");
  several("--photo", o->photos, "a photo that was measured, or the folder it is in");
  several("--note", o->notes, "a line of your own: fasteners, trim, hazards");
  command->add_option("--layout", o->layout, "how the pieces lie on the film: roll --json");
  command->add_option("--vehicle", o->vehicle, "what the sheet is for");
  command->add_option("--date", o->date, "instead of today's");
  command->add_option("--glass-transmission", o->glass, "visible light, as 77% or 77%+-2%");
  command->add_option("--film-transmission", o->film, "the same of the film");
  command->add_option("--glass-reflectance", o->glass_reflectance,
                      "of both its sides, 7%, or of the outer and the inner one, 7%/8%");
  command->add_option("--film-reflectance", o->film_reflectance, "the same of the film");
  command->add_option("--paper", o->paper, "what it is printed on")
      ->check(CLI::IsMember({"a4", "letter"}))
      ->capture_default_str();
  command->add_option("--pdf", o->pdf, "write the sheet for paper");
  command->add_option("--html", o->html, "write the sheet for a browser, one file");
  command->add_flag("--inches", o->inches, "inches before millimetres");
  command->callback([o, &outcome] { outcome = run(*o); });
}

}  // namespace panecard::app
