#include <CLI/CLI.hpp>
#include <charconv>
#include <cmath>
#include <fstream>
#include <memory>
#include <optional>

#include "app/app.h"
#include "app/photo_options.h"
#include "check/check.h"
#include "drawings/drawings.h"
#include "measure/measure.h"
#include "pattern/pattern.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::app {
namespace {

struct Options {
  PhotoOptions photo;
  std::string path, size, tolerance = "2mm", oversize = "10mm", with, json, drawing;
  bool mirrored = false, inches = false;

  Units units() const { return inches ? Units::inch : Units::mm; }
};

constexpr double kMmPerInch = 25.4;

/// A number at the start of `text`, which then goes on behind it.
std::optional<double> number_at(std::string_view& text) {
  double value = 0;
  const auto end = std::from_chars(text.data(), text.data() + text.size(), value);
  if (end.ec != std::errc() || !std::isfinite(value)) return std::nullopt;
  text.remove_prefix(static_cast<std::size_t>(end.ptr - text.data()));
  return value;
}

/// Millimetres in the unit named by the rest of an argument.
std::optional<double> unit_mm(std::string_view rest) {
  if (rest.empty() || rest == "mm") return 1;
  if (rest == "in" || rest == "\"") return kMmPerInch;
  return std::nullopt;
}

Result<double> length(const std::string& option, const std::string& text, double most_mm) {
  const auto mm = pattern::length_mm(text);
  if (mm && *mm >= 0 && *mm <= most_mm) return *mm;
  return Error{Code::bad_usage, option + " '" + text + "': give a length from 0 to " +
                                    to_text(most_mm, 0) + " mm, as in 2mm or 0.08in"};
}

Result<check::Wanted> wanted_size(const Options& o) {
  constexpr double kMostTolerance_mm = 100, kLeast_mm = 10, kMost_mm = 10000;
  const auto tolerance = length("--tol", o.tolerance, kMostTolerance_mm);
  if (!tolerance.ok()) return tolerance.error();
  const Error wrong{Code::bad_usage,
                    "--size '" + o.size +
                        "': give width x height from 10 to 10000 mm, as in 486x412 or "
                        "19.13x16.22in"};
  std::string_view rest = o.size;
  const auto width = number_at(rest);
  if (!width || rest.empty() || (rest[0] != 'x' && rest[0] != 'X')) return wrong;
  rest.remove_prefix(1);
  const auto height = number_at(rest);
  const auto unit = unit_mm(rest);
  if (!height || !unit) return wrong;
  const check::Wanted wanted{*width * *unit, *height * *unit, tolerance.value()};
  for (const double mm : {wanted.width_mm, wanted.height_mm}) {
    if (!(mm >= kLeast_mm && mm <= kMost_mm)) return wrong;
  }
  return wanted;
}

/// By content: no photo starts with a brace.
bool looks_like_result(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  constexpr int kMostBlanks = 64;
  for (int i = 0; i < kMostBlanks; ++i) {
    const int c = file.get();
    if (c == '{' || c == '[') return true;
    if (c != ' ' && c != '\n' && c != '\r' && c != '\t') return false;
  }
  return false;
}

struct Loaded {
  records::StoredOutline outline;
  std::vector<Finding> warnings;
};

Result<Loaded> load(const std::string& path, const PhotoOptions& photo) {
  if (looks_like_result(path)) {
    auto stored = records::read_result(path);
    if (!stored.ok()) return stored.error();
    return Loaded{std::move(stored.value()), {}};
  }
  const auto wanted = parse(photo);
  if (!wanted.ok()) return wanted.error();
  const auto photos = measure::load({path});
  if (!photos.ok()) return photos.error();
  auto m = measure::measure(photos.value(), wanted.value());
  if (!m.ok()) return m.error();
  Loaded out;
  out.outline.shape = {std::move(m.value().covariance), m->outline.u95_mm, true};
  out.outline.boundary = m->boundary;
  out.outline.photo_name = m->photo_name;
  out.warnings = m->warnings;
  return out;
}

/// Yes leaves nothing.
std::optional<Answer> answer_of(check::Verdict verdict, const std::string& words) {
  constexpr int kNo = 1, kOpen = 3;
  if (verdict == check::Verdict::yes) return std::nullopt;
  return Answer{verdict == check::Verdict::no ? kNo : kOpen, words};
}

Outcome plan(const Options& o, Outputs& outputs) {
  const std::string is = ending(o.drawing);
  if (!o.drawing.empty() && is != ".svg" && is != ".pdf") {
    return Error{Code::bad_usage, "--drawing '" + o.drawing + "': name an .svg or .pdf file"};
  }
  for (const std::string* path : {&o.json, &o.drawing}) {
    if (path->empty() || (path == &o.json && *path == "-")) continue;
    std::vector<std::string> inputs = {o.path};
    if (!o.with.empty()) inputs.push_back(o.with);
    if (auto failed = outputs.plan(*path, inputs)) return failed;
  }
  return std::nullopt;
}

Outcome write(const Options& o, Outputs& outputs, const std::string& json, const std::string& table,
              const std::string& drawing) {
  if (!o.json.empty() && o.json != "-") outputs.set(o.json, json);
  if (!o.drawing.empty()) outputs.set(o.drawing, drawing);
  return outputs.write(o.json == "-" ? json : table);
}

Outcome run_rectangle(const Options& o, Outputs& outputs, std::optional<Answer>& answer) {
  std::optional<check::Wanted> wanted;
  if (!o.size.empty()) {
    const auto size = wanted_size(o);
    if (!size.ok()) return size.error();
    wanted = size.value();
  }
  constexpr double kMostOversize_mm = 1000;
  const auto oversize = length("--oversize", o.oversize, kMostOversize_mm);
  if (!oversize.ok()) return oversize.error();
  const auto loaded = load(o.path, o.photo);
  if (!loaded.ok()) return loaded.error();
  const auto rectangle = check::fit_rectangle(loaded->outline.shape);
  if (!rectangle.ok()) {
    if (!wanted) return rectangle.error();
    answer = answer_of(check::Verdict::no, "does not fit: " + rectangle.error().detail);
    return std::nullopt;
  }
  report::CheckReport report;
  report.name = loaded->outline.photo_name;
  report.boundary = loaded->outline.boundary;
  report.rectangle = rectangle.value();
  if (wanted) report.fits = check::fits(report.rectangle, *wanted);
  report.blank = check::blank_for(loaded->outline.shape, report.rectangle, oversize.value());
  report.sources_known = loaded->outline.shape.sources_known;
  report.warnings = loaded->warnings;
  const auto units = o.units();
  if (auto failed =
          write(o, outputs, records::to_check_json(report), report::to_check_table(report, units),
                o.drawing.empty()             ? ""
                : ending(o.drawing) == ".pdf" ? drawings::to_check_drawing_pdf(report, units)
                                              : drawings::to_check_drawing_svg(report, units))) {
    return failed;
  }
  if (report.fits) {
    answer = answer_of(report.fits->verdict, report::say_fit(*report.fits, units));
  }
  return std::nullopt;
}

Outcome run_comparison(const Options& o, Outputs& outputs, std::optional<Answer>& answer) {
  if (!o.size.empty()) {
    return Error{Code::bad_usage, "--size and --with ask two questions; ask one at a time"};
  }
  constexpr double kMostTolerance_mm = 100;
  const auto tolerance = length("--tol", o.tolerance, kMostTolerance_mm);
  if (!tolerance.ok()) return tolerance.error();
  const auto first = load(o.path, o.photo);
  if (!first.ok()) return first.error();
  const auto second = load(o.with, o.photo);
  if (!second.ok()) return second.error();
  const auto comparison =
      check::compare(first->outline.shape, second->outline.shape, o.mirrored, tolerance.value());
  if (!comparison.ok()) return comparison.error();
  report::CompareReport report;
  report.first = first->outline.photo_name, report.second = second->outline.photo_name;
  report.mirrored = o.mirrored;
  report.tolerance_mm = tolerance.value();
  report.comparison = comparison.value();
  report.sources_known = first->outline.shape.sources_known && second->outline.shape.sources_known;
  report.warnings = first->warnings;
  report.warnings.insert(report.warnings.end(), second->warnings.begin(), second->warnings.end());
  const auto units = o.units();
  if (auto failed = write(
          o, outputs, records::to_compare_json(report), report::to_compare_table(report, units),
          o.drawing.empty()             ? ""
          : ending(o.drawing) == ".pdf" ? drawings::to_compare_drawing_pdf(report, units)
                                        : drawings::to_compare_drawing_svg(report, units))) {
    return failed;
  }
  answer = answer_of(report.comparison.same, report::say_comparison(report, units));
  return std::nullopt;
}

Outcome run(const Options& o, std::optional<Answer>& answer) {
  if (o.mirrored && o.with.empty()) {
    return Error{Code::bad_usage, "--mirrored needs --with and another outline"};
  }
  Outputs outputs;
  if (auto failed = plan(o, outputs)) return failed;
  return o.with.empty() ? run_rectangle(o, outputs, answer) : run_comparison(o, outputs, answer);
}

}  // namespace

void add_check(CLI::App& root, Outcome& outcome, std::optional<Answer>& answer) {
  const auto o = std::make_shared<Options>();
  CLI::App* command =
      root.add_subcommand("check", "is this pane the rectangle, or the outline, I think it is?");
  command->add_option("outline", o->path, "a result file of measure --json, or a photo")
      ->required();
  add_photo_options(*command, o->photo);
  command->add_option("--size", o->size, "width x height it shall have: 486x412 or 19.13x16.22in");
  command->add_option("--tol", o->tolerance, "how far off a size or an outline may be")
      ->capture_default_str();
  command->add_option("--oversize", o->oversize, "how much larger the blank is on every side")
      ->capture_default_str();
  command->add_option("--with", o->with, "lay the outline on this one: a result file or a photo");
  command->add_flag("--mirrored", o->mirrored, "the two were seen from opposite sides");
  command->add_option("--json", o->json, "write what was found; - for standard output");
  command->add_option("--drawing", o->drawing, "draw the deviations enlarged, .svg or .pdf");
  command->add_flag("--inches", o->inches, "inches in the table and the drawing");
  command->callback([o, &outcome, &answer] { outcome = run(*o, answer); });
}

}  // namespace panecard::app
