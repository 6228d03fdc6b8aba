#include <CLI/CLI.hpp>
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <memory>
#include <numbers>
#include <optional>

#include "app/app.h"
#include "app/cut_files.h"
#include "app/piece_request.h"
#include "drawings/drawings.h"
#include "film/film.h"
#include "pattern/pattern.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::app {
namespace {

namespace fs = std::filesystem;

struct Options {
  PieceWords words;
  std::string path, name, along, film, json, drawing;
  CutFiles cuts;
  bool list_sets = false, mirror = false, both = false, may_mirror = false, inches = false;
  int copies = 1;

  Units units() const { return inches ? Units::inch : Units::mm; }
};

/// pane.json to pane-mirrored.json.
std::string twin_of(const std::string& path) {
  const fs::path p(path);
  return (p.parent_path() / (p.stem().string() + "-mirrored" + p.extension().string())).string();
}

PointMm turned(PointMm p, double rad) {
  const double c = std::cos(rad), s = std::sin(rad);
  return {c * p.x - s * p.y, s * p.x + c * p.y};
}

/// Turned so that its smallest box stands square and what was up in the photo points up most: film
/// lies on the roll by the box, and nobody holds a phone level.
void stand_square(check::Shape& shape) {
  const PointMm up = pattern::up_in_photo(shape);
  const double to_up = std::numbers::pi / 2 - std::atan2(up.y, up.x);
  const double box = min_area_box(shape.contour.points).angle_rad;
  const double turn = to_up - std::remainder(box + to_up, std::numbers::pi / 2);
  for (PointMm& p : shape.contour.points) p = turned(p, turn);
}

std::optional<double> largest_u95(const pattern::Pane& pane, const std::string& side) {
  if (pane.u95_mm.empty()) return std::nullopt;
  const std::size_t n = pane.u95_mm.size();
  for (const pattern::Side& s : pane.division.sides) {
    if (s.name != side) continue;
    double most = pane.u95_mm[s.last];
    for (std::size_t i = s.first; i != s.last; i = (i + 1) % n) {
      most = std::max(most, pane.u95_mm[i]);
    }
    return most;
  }
  return *std::max_element(pane.u95_mm.begin(), pane.u95_mm.end());  // of an oversize rectangle
}

/// Film shrinks mainly along the roll; on bent glass it has to shrink upright (common practice).
std::string default_along(const records::StoredOutline& outline, std::vector<Finding>& findings) {
  if (!outline.bent_probability) {
    findings.push_back({"face_not_known",
                        "the result file does not say whether the pane is bent; if it is, its "
                        "upright goes along the roll (--along upright)"});
    return "any";
  }
  const bool bent = *outline.bent_probability > 0.5;
  if (bent) {
    findings.push_back({"along_the_roll",
                        "the pane is bent, so its upright goes along the roll, where film shrinks "
                        "most (common practice); --along says otherwise"});
  }
  return bent ? "upright" : "any";
}

report::PieceReport report_of(const Options& o, const records::StoredOutline& outline,
                              const pattern::Pane& pane, const pattern::Piece& piece) {
  report::PieceReport out;
  film::FilmPiece& stored = out.piece;
  stored.name = o.name.empty() ? fs::path(o.path).stem().string() : o.name;
  stored.boundary = outline.boundary;
  stored.cut = piece.cut;
  for (const ArcVertex& v : piece.arcs) stored.arcs.push_back({v.at, v.bulge});
  stored.copies = o.copies;
  stored.film = o.film;
  stored.may_mirror = o.may_mirror;
  stored.area_mm2 = piece.area_mm2;
  for (const pattern::CutSide& s : piece.sides) {
    stored.sides.push_back({s.side.name, s.side.where, s.side.first, s.side.last, s.allowance_mm,
                            s.u95_added_mm, largest_u95(pane, s.side.name)});
  }
  stored.findings = piece.findings;
  stored.along = o.along.empty() ? default_along(outline, stored.findings) : o.along;
  out.pane = pane.outline;
  out.pane_name = outline.photo_name.empty() ? o.path : outline.photo_name;
  return out;
}

void mirror(report::PieceReport& report, const pattern::Piece& piece) {
  const pattern::Piece twin = pattern::mirrored(piece);
  film::FilmPiece& stored = report.piece;
  stored.cut = twin.cut;
  stored.arcs.clear();
  for (const ArcVertex& v : twin.arcs) stored.arcs.push_back({v.at, v.bulge});
  std::reverse(stored.sides.begin(), stored.sides.end());
  for (std::size_t k = 0; k < stored.sides.size(); ++k) {
    const pattern::Side& side = twin.sides[k].side;
    film::FilmSide& s = stored.sides[k];
    s.name = side.name, s.where = side.where, s.first = side.first, s.last = side.last;
  }
  std::copy(twin.findings.begin(), twin.findings.end(), stored.findings.begin());
  for (PointMm& p : report.pane) p.x = -p.x;
  std::reverse(report.pane.begin(), report.pane.end());
  report.mirrored = true;
}

Result<std::vector<report::PieceReport>> make(const Options& o) {
  auto outline = records::read_result(o.path);
  if (!outline.ok()) return outline.error();
  auto wish = piece_wish(o.words, outline->boundary);
  if (!wish.ok()) return wish.error();
  stand_square(outline.value().shape);
  const auto pane = pattern::divide(outline->shape, outline->pieces);
  if (!pane.ok()) return pane.error();
  const auto piece = pattern::make_piece(pane.value(), wish->request);
  if (!piece.ok()) return piece.error();
  report::PieceReport report = report_of(o, outline.value(), pane.value(), piece.value());
  report.set_title = wish->set_title;
  if (!wish->set_note.empty()) report.piece.findings.push_back({"ready_made", wish->set_note});
  std::vector<report::PieceReport> out;
  if (!o.mirror) out.push_back(report);
  if (o.mirror || o.both) {
    mirror(report, piece.value());
    if (o.both) report.piece.name += "-mirrored";
    out.push_back(std::move(report));
  }
  return out;
}

std::string drawing_of(const Options& o, const report::PieceReport& report) {
  return ending(o.drawing) == ".pdf" ? drawings::to_piece_drawing_pdf(report, o.units())
                                     : drawings::to_piece_drawing_svg(report, o.units());
}

/// All files of one piece. @param twin  its files are named so
Outcome set_files(const Options& o, const report::PieceReport& report, bool twin,
                  Outputs& outputs) {
  constexpr double kMargin_mm = 10;
  const auto named = [twin](const std::string& path) { return twin ? twin_of(path) : path; };
  if (!o.json.empty()) outputs.set(named(o.json), records::to_piece_json(report.piece));
  if (!o.drawing.empty()) outputs.set(named(o.drawing), drawing_of(o, report));
  CutFiles cuts = o.cuts;
  for (std::string* path : cuts.paths()) {
    if (!path->empty()) *path = named(*path);
  }
  return set_cut_files(cuts, film::sheet_of(report.piece, kMargin_mm), outputs);
}

Outcome wrong_options(const Options& o) {
  if (o.path.empty()) {
    return Error{Code::bad_usage,
                 "piece needs an outline: a result file of measure --json; see panecard piece "
                 "--help"};
  }
  if (o.mirror && o.both) {
    return Error{Code::bad_usage, "--both makes the twin besides, --mirror the twin alone"};
  }
  if (o.both && o.json == "-") {
    return Error{Code::bad_usage, "--both makes two pieces; name a file with --json"};
  }
  const std::string is = ending(o.drawing);
  if (!o.drawing.empty() && is != ".svg" && is != ".pdf") {
    return Error{Code::bad_usage, "--drawing '" + o.drawing + "': name an .svg or .pdf file"};
  }
  if (o.copies < 1 || o.copies > film::kMostCopies) {
    return Error{Code::bad_usage, "--copies " + std::to_string(o.copies) + ": give 1 to " +
                                      std::to_string(film::kMostCopies)};
  }
  return wrong_options(o.cuts);
}

Outcome plan(const Options& o, Outputs& outputs) {
  for (const std::string& path :
       {o.json, o.drawing, o.cuts.svg, o.cuts.dxf, o.cuts.hpgl, o.cuts.pdf}) {
    if (path.empty() || path == "-") continue;
    if (auto failed = outputs.plan(path, {o.path})) return failed;
    if (!o.both) continue;
    if (auto failed = outputs.plan(twin_of(path), {o.path})) return failed;
  }
  return std::nullopt;
}

Outcome run(const Options& o) {
  if (o.list_sets) {
    const auto sets = allowance_sets(o.words.sets_file);
    if (!sets.ok()) return sets.error();
    return Outputs().write(list_of_sets(sets.value()));
  }
  if (auto failed = wrong_options(o)) return failed;
  Outputs outputs;
  if (auto failed = plan(o, outputs)) return failed;
  const auto reports = make(o);
  if (!reports.ok()) return reports.error();
  std::string table;
  for (std::size_t k = 0; k < reports.value().size(); ++k) {
    const report::PieceReport& report = reports.value()[k];
    if (auto failed = set_files(o, report, k > 0, outputs)) return failed;
    table += (k > 0 ? "\n" : "") + report::to_piece_table(report, o.units());
  }
  return outputs.write(o.json == "-" ? records::to_piece_json(reports.value().front().piece)
                                     : table);
}

void add_allowance_options(CLI::App& command, PieceWords& words) {
  const auto several = [&](const char* name, std::vector<std::string>& into, const char* help) {
    command.add_option(name, into, help)->allow_extra_args(false);
  };
  several("--allow", words.allow, "allowance of a side, outwards: bottom=12mm, \"edge 3=-1/16in\"");
  several("--cover", words.cover,
          "a side, or all, that must surely reach so far: its U95 is added");
  several("--round", words.round, "least radius of all corners, 3mm, or of one, \"top left=3mm\"");
  several("--relief", words.relief, "cut corners off straight, so far along both sides");
  command.add_option("--oversize", words.oversize, "the rectangle around it, so much larger");
  command.add_option("--inside-dots", words.inside_dots, "stay so far inside the dots");
  command.add_option("--over-dots", words.over_dots, "over the dots, so far onto the solid band");
  command.add_option("--set", words.set, "ready-made allowances by name; the others go before it");
  command.add_option("--sets", words.sets_file, "a list of ready-made allowances of your own");
}

}  // namespace

void add_piece(CLI::App& root, Outcome& outcome) {
  const auto o = std::make_shared<Options>();
  CLI::App* command = root.add_subcommand("piece", "an outline into a piece of film to cut");
  command->add_option("outline", o->path, "a result file of measure --json");
  add_allowance_options(*command, o->words);
  command->add_flag("--list-sets", o->list_sets, "say which ready-made allowances there are");
  command->add_flag("--mirror", o->mirror, "for the pane on the vehicle's other side");
  command->add_flag("--both", o->both, "for both sides: the twin's files are NAME-mirrored");
  command->add_option("--along", o->along, "what lies along the roll")
      ->check(CLI::IsMember({"any", "upright", "level"}));
  command->add_option("--copies", o->copies, "how many the film layout shall hold");
  command->add_option("--film", o->film, "what film it is cut from: \"carbon 35\"");
  command->add_flag("--may-mirror", o->may_mirror,
                    "the layout may turn it over: only for film that sticks on either face");
  command->add_option("--name", o->name, "what the piece is called");
  command->add_option("--json", o->json, "write the piece for the layout; - for standard output");
  add_cut_options(*command, o->cuts);
  command->add_option("--drawing", o->drawing, "draw it with its allowances, .svg or .pdf");
  command->add_flag("--inches", o->inches, "inches in the table and the drawing");
  command->callback([o, &outcome] { outcome = run(*o); });
}

}  // namespace panecard::app
