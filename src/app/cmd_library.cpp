#include <CLI/CLI.hpp>
#include <filesystem>
#include <memory>

#include "app/app.h"
#include "app/library_text.h"
#include "app/library_use.h"
#include "library/library.h"
#include "pattern/pattern.h"
#include "photo/photo.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::app {
namespace {

using library::Access;
using library::Library;

struct Options {
  std::string file, result, like, json, reason, by, folder, piece, piece_name, tolerance = "2";
  std::vector<std::string> words, photos;
  std::vector<std::int64_t> without;
  std::optional<std::string> make, model, years, body, vehicle_notes, window, side, notes;
  std::int64_t pane = 0, second = 0, revision = 0, measurement = 0;
  std::size_t most = 20;
  bool in_force = false, mirrored = false, of_vehicle = false, inches = false, only_try = false;
  bool theirs = false;

  Units units() const { return inches ? Units::inch : Units::mm; }
};

constexpr std::size_t kMostResult = 8'000'000, kMostPhoto = 200'000'000;

library::Stamp stamp(const Options& o, const std::string& reason) {
  return {now(), who(o.by), o.reason.empty() ? reason : o.reason};
}

Result<std::vector<library::Photo>> photos(const Options& o) {
  std::vector<library::Photo> out;
  for (const std::string& path : o.photos) {
    const auto bytes = read_file(path, kMostPhoto);
    if (!bytes.ok()) return bytes.error();
    const auto photo = photo::load_bytes(bytes.value(), path);
    if (!photo.ok()) return photo.error();
    out.push_back({std::filesystem::path(path).filename().string(), library::sha256(bytes.value()),
                   small_jpeg(small_copy(photo->bgr))});
  }
  return out;
}

Outcome print(const Options& o, const std::string& text, const std::string& json) {
  Outputs outputs;
  if (o.json.empty() || o.json == "-") return outputs.write(o.json == "-" ? json : text);
  if (auto failed = outputs.plan(o.json, {o.file})) return failed;
  outputs.set(o.json, json);
  return outputs.write(text);
}

Result<Library> opened(const Options& o, Access access) { return Library::open(o.file, {access}); }

Outcome run_add(const Options& o) {
  const auto result = read_file(o.result, kMostResult);
  if (!result.ok()) return result.error();
  const auto pictures = photos(o);
  if (!pictures.ok()) return pictures.error();
  const library::Vehicle vehicle{o.make.value_or(""), o.model.value_or(""), o.years.value_or(""),
                                 o.body.value_or(""), o.vehicle_notes.value_or("")};
  const library::Pane pane{o.window.value_or(""), o.side.value_or(""), o.notes.value_or("")};
  const library::Stamp stamped = stamp(o, "measured");
  if (std::error_code none; !std::filesystem::exists(o.file, none)) {
    if (auto why = Library::cannot_add(vehicle, pane, result.value(), pictures.value(), stamped)) {
      return why;
    }
  }
  auto library = opened(o, Access::create);
  if (!library.ok()) return library.error();
  const auto added =
      library.value().add(vehicle, pane, result.value(), pictures.value(), stamped, o.in_force);
  if (!added.ok()) return added.error();
  const std::string number = "measurement " + std::to_string(added->measurement) + " of pane " +
                             std::to_string(added->pane);
  std::string said =
      number + (added->in_force ? ", its pattern now\n" : "; its pattern stays as it was\n");
  if (added->already_there) said = "skipped: the same photo or result is there as " + number + "\n";
  return Outputs().write(said);
}

Outcome run_find(const Options& o) {
  auto library = opened(o, Access::read);
  if (!library.ok()) return library.error();
  if (!o.like.empty()) {
    const auto asked = records::read_result(o.like);
    if (!asked.ok()) return asked.error();
    const auto found = library.value().find_like(asked->shape, o.most);
    if (!found.ok()) return found.error();
    return print(o, alike_text(found.value(), o.units()), alike_json(found.value()));
  }
  std::string text;
  for (const std::string& word : o.words) text += word + " ";
  auto found = text.empty() ? library.value().panes() : library.value().find(text, o.most);
  if (!found.ok()) return found.error();
  return print(o, list_text(found.value()), list_json(found.value()));
}

Outcome run_show(const Options& o) {
  auto library = opened(o, Access::read);
  if (!library.ok()) return library.error();
  const auto view = library.value().show(o.pane);
  if (!view.ok()) return view.error();
  const auto shape = library.value().pattern_shape(o.pane);
  Outputs outputs;
  if (!o.result.empty()) {
    const auto json = o.measurement > 0 ? library.value().measurement_json(o.measurement)
                                        : library.value().pattern_json(o.pane);
    if (!json.ok()) return json.error();
    if (auto failed = outputs.plan(o.result, {o.file})) return failed;
    outputs.set(o.result, json.value());
    if (auto failed = outputs.write("")) return failed;
  }
  return print(o, pane_text(view.value(), shape.ok() ? &shape.value() : nullptr, o.units()),
               pane_json(view.value()));
}

/// Yes leaves nothing to say.
std::optional<Answer> answer_of(const report::CompareReport& report, Units units) {
  constexpr int kNo = 1, kOpen = 3;
  if (report.comparison.same == check::Verdict::yes) return std::nullopt;
  return Answer{report.comparison.same == check::Verdict::no ? kNo : kOpen,
                report::say_comparison(report, units)};
}

Outcome run_compare(const Options& o, std::optional<Answer>& answer) {
  auto library = opened(o, Access::read);
  if (!library.ok()) return library.error();
  const auto tolerance = pattern::length_mm(o.tolerance);
  constexpr double kMost_mm = 100;
  if (!tolerance || *tolerance < 0 || *tolerance > kMost_mm) {
    return Error{Code::bad_usage, "--tol '" + o.tolerance + "': give a length from 0 to 100 mm"};
  }
  const auto first = library.value().pattern_shape(o.pane);
  if (!first.ok()) return first.error();
  const auto second = library.value().pattern_shape(o.second);
  if (!second.ok()) return second.error();
  const auto comparison = check::compare(first.value(), second.value(), o.mirrored, *tolerance);
  if (!comparison.ok()) return comparison.error();
  report::CompareReport report;
  report.first = "pane " + std::to_string(o.pane);
  report.second = "pane " + std::to_string(o.second);
  report.mirrored = o.mirrored;
  report.tolerance_mm = *tolerance;
  report.comparison = comparison.value();
  report.sources_known = first->sources_known && second->sources_known;
  if (auto failed =
          print(o, report::to_compare_table(report, o.units()), records::to_compare_json(report))) {
    return failed;
  }
  answer = answer_of(report, o.units());
  return std::nullopt;
}

Outcome run_combine(const Options& o, std::optional<Answer>& answer) {
  auto library = opened(o, o.only_try ? Access::read : Access::write);
  if (!library.ok()) return library.error();
  const auto combined = library.value().combine(o.pane, o.without);
  if (!combined.ok()) return combined.error();
  std::string text = combined_text(combined.value(), o.units());
  if (combined->disagrees) {
    const std::string number = std::to_string(*combined->disagrees);
    answer = Answer{1, "measurement " + number +
                           " disagrees with the others; nothing was changed. "
                           "Measure again, or leave it out with --without " +
                           number};
    constexpr std::size_t kTwo = 2;
    if (combined->used.size() == kTwo) {
      answer->sentence =
          "the two measurements disagree, and it cannot be said which is wrong; "
          "nothing was changed. Measure a third time";
    }
  } else if (!o.only_try) {
    const auto done = library.value().put_in_force(o.pane, combined->result_json, combined->used,
                                                   stamp(o, "combined"));
    if (!done.ok()) return done.error();
    text += "the pattern now, revision " + std::to_string(done.value()) + "\n";
  }
  return print(o, text, combined_json(combined.value()));
}

Result<std::int64_t> edit_pane(const Options& o, Library& library, const library::PaneView& view) {
  std::int64_t revision = view.revision;
  if (o.window || o.side || o.notes) {
    library::Pane pane = view.line.about;
    pane = {o.window.value_or(pane.window), o.side.value_or(pane.side),
            o.notes.value_or(pane.notes)};
    const auto done = library.change_pane(o.pane, pane, stamp(o, ""));
    if (!done.ok()) return done.error();
    revision = done.value();
  }
  if (o.measurement > 0) {
    const auto done = library.put_in_force(o.pane, o.measurement, stamp(o, ""));
    if (!done.ok()) return done.error();
    revision = done.value();
  }
  if (!o.piece.empty()) {
    const auto bytes = read_file(o.piece, kMostResult);
    if (!bytes.ok()) return bytes.error();
    const auto piece = records::read_piece(o.piece);
    if (!piece.ok()) return piece.error();
    const std::string name = o.piece_name.empty() ? piece->name : o.piece_name;
    const auto done = library.set_piece(o.pane, name, bytes.value(), stamp(o, ""));
    if (!done.ok()) return done.error();
    revision = done.value();
  }
  return revision;
}

Outcome run_edit(const Options& o) {
  auto library = opened(o, Access::write);
  if (!library.ok()) return library.error();
  const auto view = library.value().show(o.pane);
  if (!view.ok()) return view.error();
  if (o.make || o.model || o.years || o.body || o.vehicle_notes) {
    const library::Vehicle& v = view->line.vehicle;
    const library::Vehicle to{o.make.value_or(v.make), o.model.value_or(v.model),
                              o.years.value_or(v.years), o.body.value_or(v.body),
                              o.vehicle_notes.value_or(v.notes)};
    const auto done = library.value().change_vehicle(view->vehicle_number, to, stamp(o, ""));
    if (!done.ok()) return done.error();
  }
  const auto revision = edit_pane(o, library.value(), view.value());
  if (!revision.ok()) return revision.error();
  return Outputs().write("pane " + std::to_string(o.pane) + " is at revision " +
                         std::to_string(revision.value()) + "\n");
}

Outcome run_history(const Options& o) {
  auto library = opened(o, Access::read);
  if (!library.ok()) return library.error();
  const auto history = library.value().history(o.pane);
  if (!history.ok()) return history.error();
  return print(o, history_text(history.value()), history_json(history.value()));
}

Outcome run_restore(const Options& o) {
  auto library = opened(o, Access::write);
  if (!library.ok()) return library.error();
  const std::string why = "revision " + std::to_string(o.revision) + " again";
  auto done = o.of_vehicle ? library.value().restore_vehicle(o.pane, o.revision, stamp(o, why))
                           : library.value().restore(o.pane, o.revision, stamp(o, why));
  if (!done.ok()) return done.error();
  return Outputs().write("now revision " + std::to_string(done.value()) + "\n");
}

Outcome run_export(const Options& o) {
  auto library = opened(o, Access::read);
  if (!library.ok()) return library.error();
  const auto panes = library.value().export_to(o.folder);
  if (!panes.ok()) return panes.error();
  return Outputs().write(std::to_string(panes.value()) + " panes in '" + o.folder + "'\n");
}

Outcome run_import(const Options& o, std::optional<Answer>& answer) {
  auto library = opened(o, Access::create);
  if (!library.ok()) return library.error();
  const auto done = library.value().import_from(o.folder, o.theirs);
  if (!done.ok()) return done.error();
  if (!done->both_changed.empty()) {
    constexpr std::size_t kMostNamed = 20;
    std::string names;
    for (std::size_t k = 0; k < std::min(kMostNamed, done->both_changed.size()); ++k) {
      names += (k > 0 ? "; " : "") + one_line(done->both_changed[k]);
    }
    if (done->both_changed.size() > kMostNamed) names += "; ...";
    answer = Answer{1, std::to_string(done->both_changed.size()) +
                           " changed both here and there, kept as here: " + names +
                           "; import with --theirs to let theirs hold"};
  }
  return Outputs().write(std::to_string(done->fresh) + " new panes from '" + o.folder + "', " +
                         std::to_string(done->brought_on) + " newer than here, " +
                         std::to_string(done->known) + " known already\n");
}

Outcome run_backup(const Options& o) {
  auto library = opened(o, Access::read);
  if (!library.ok()) return library.error();
  const auto bytes = library.value().backup(o.folder);
  if (!bytes.ok()) return bytes.error();
  return Outputs().write("'" + o.folder + "', " + std::to_string(bytes.value()) + " bytes\n");
}

Outcome run_check(const Options& o, std::optional<Answer>& answer) {
  auto library = opened(o, Access::read);
  if (!library.ok()) return library.error();
  const auto findings = library.value().verify();
  if (!findings.ok()) return findings.error();
  if (!findings->empty()) {
    answer = Answer{1, std::to_string(findings->size()) +
                           " things are wrong, nothing was repaired; keep the file aside and take "
                           "the last backup"};
  }
  return Outputs().write(findings->empty() ? "all is well\n" : findings_text(findings.value()));
}

void add_names(CLI::App& command, Options& o) {
  command.add_option("--make", o.make, "of the vehicle");
  command.add_option("--model", o.model);
  command.add_option("--years", o.years, "2019 or 2017-2022");
  command.add_option("--body", o.body, "hatchback, van, ...");
  command.add_option("--vehicle-notes", o.vehicle_notes);
  command.add_option("--window", o.window, "which pane: front door, quarter, ...");
  command.add_option("--side", o.side, "left, right or nothing");
  command.add_option("--notes", o.notes, "on the pane");
}

void add_reason(CLI::App& command, Options& o, bool needed) {
  auto* reason = command.add_option("--reason", o.reason, "why; it stays in the history");
  if (needed) reason->required();
  command.add_option("--by", o.by, "who; otherwise the user's name");
}

void add_output(CLI::App& command, Options& o) {
  command.add_option("--json", o.json, "for a machine; - for standard output");
  command.add_flag("--inches", o.inches, "inches where a person reads");
}

CLI::App& action(CLI::App& group, Options& o, const char* name, const char* what) {
  CLI::App* command = group.add_subcommand(name, what);
  command->add_option("library", o.file, "the library's file")->required();
  return *command;
}

void add_changing(CLI::App& group, const std::shared_ptr<Options>& o, Outcome& outcome,
                  std::optional<Answer>& answer) {
  CLI::App& add = action(group, *o, "add", "a measured pane; makes the library if need be");
  add.add_option("result", o->result, "the result file of measure --json")->required();
  add_names(add, *o);
  add.add_option("--photo", o->photos, "the photos it was measured in: a small copy is kept");
  add.add_flag("--in-force", o->in_force, "it becomes the pattern, also where there is one");
  add_reason(add, *o, false);
  add.callback([o, &outcome] { outcome = run_add(*o); });

  CLI::App& edit = action(group, *o, "edit", "names, notes, pattern in force or pieces of a pane");
  edit.add_option("pane", o->pane)->required();
  add_names(edit, *o);
  edit.add_option("--measurement", o->measurement, "put this one in force");
  edit.add_option("--piece", o->piece, "keep this piece file with the pane");
  edit.add_option("--piece-name", o->piece_name);
  add_reason(edit, *o, true);
  edit.callback([o, &outcome] { outcome = run_edit(*o); });

  CLI::App& combine = action(group, *o, "combine", "all measurements of a pane into one pattern");
  combine.add_option("pane", o->pane)->required();
  combine.add_option("--without", o->without, "leave this measurement out; may be repeated");
  combine.add_flag("--try", o->only_try, "only say what would come of it");
  add_reason(combine, *o, false);
  add_output(combine, *o);
  combine.callback([o, &outcome, &answer] { outcome = run_combine(*o, answer); });

  CLI::App& restore = action(group, *o, "restore", "makes an earlier revision the newest");
  restore.add_option("pane", o->pane, "its number, or the vehicle's with --vehicle")->required();
  restore.add_option("revision", o->revision, "as library history counts them")->required();
  restore.add_flag("--vehicle", o->of_vehicle, "of the vehicle, not of the pane");
  add_reason(restore, *o, false);
  restore.callback([o, &outcome] { outcome = run_restore(*o); });

  CLI::App& import = action(group, *o, "import", "an exported folder into a library");
  import.add_option("folder", o->folder)->required();
  import.add_flag("--theirs", o->theirs, "where both were changed, theirs holds; ours is kept");
  import.callback([o, &outcome, &answer] { outcome = run_import(*o, answer);
});
}  // namespace

void add_reading(CLI::App& group, const std::shared_ptr<Options>& o, Outcome& outcome,
                 std::optional<Answer>& answer) {
  CLI::App& find = action(group, *o, "find", "panes by words, or by shape with --like");
  find.add_option("words", o->words, "starts of words, years; typing errors are forgiven");
  find.add_option("--like", o->like, "a result file: find this shape, turned or mirrored");
  find.add_option("--most", o->most, "how many")->check(CLI::Range(1, 1000))->capture_default_str();
  add_output(find, *o);
  find.callback([o, &outcome] { outcome = run_find(*o); });

  CLI::App& show = action(group, *o, "show", "all that is known of a pane");
  show.add_option("pane", o->pane)->required();
  show.add_option("--result", o->result, "write the pattern's result file, for check and piece");
  show.add_option("--measurement", o->measurement, "of this measurement instead");
  add_output(show, *o);
  show.callback([o, &outcome] { outcome = run_show(*o); });

  CLI::App& compare = action(group, *o, "compare", "one pane's pattern with another's");
  compare.add_option("pane", o->pane)->required();
  compare.add_option("other", o->second)->required();
  compare.add_flag("--mirrored", o->mirrored, "left with right");
  compare.add_option("--tol", o->tolerance, "how far they may be apart")->capture_default_str();
  add_output(compare, *o);
  compare.callback([o, &outcome, &answer] { outcome = run_compare(*o, answer); });

  CLI::App& history = action(group, *o, "history", "every change of a pane and its vehicle");
  history.add_option("pane", o->pane)->required();
  add_output(history, *o);
  history.callback([o, &outcome] { outcome = run_history(*o); });

  CLI::App& exporting = action(group, *o, "export", "everything as a folder of JSON and SVG");
  exporting.add_option("folder", o->folder)->required();
  exporting.callback([o, &outcome] { outcome = run_export(*o); });

  CLI::App& backup = action(group, *o, "backup", "a copy, also while others write");
  backup.add_option("copy", o->folder, "a new file")->required();
  backup.callback([o, &outcome] { outcome = run_backup(*o); });

  CLI::App& check = action(group, *o, "check", "is the file whole? repairs nothing");
  check.callback([o, &outcome, &answer] { outcome = run_check(*o, answer); });
}

}  // namespace panecard::app

void add_library(CLI::App& root, Outcome& outcome, std::optional<Answer>& answer) {
  const auto o = std::make_shared<Options>();
  CLI::App* group = root.add_subcommand("library", "every pane that was measured, in one file");
  group->require_subcommand(1);
  add_changing(*group, o, outcome, answer);
  add_reading(*group, o, outcome, answer);
}

}  // namespace panecard::app
