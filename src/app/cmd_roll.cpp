#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <chrono>
#include <filesystem>
#include <memory>

#include "app/app.h"
#include "app/cut_files.h"
#include "app/roll_job.h"
#include "drawings/drawings.h"
#include "film/film.h"
#include "layout/layout.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::app {
namespace {

namespace fs = std::filesystem;
using Clock = std::chrono::steady_clock;

struct Options {
  RollWords words;
  std::string gap = "3mm", edge = "5mm", keep = "150mm";
  std::string json, drawing;
  CutFiles cuts;
  double effort_s = 5;
  std::int64_t moves = 0;
  std::uint64_t seed = 1;
  bool commit = false, inches = false;

  Units units() const { return inches ? Units::inch : Units::mm; }
};

double seconds_since(Clock::time_point start) {
  return std::chrono::duration<double>(Clock::now() - start).count();
}

/// The films of a job share the time; what one leaves over goes to the next.
layout::Efforts efforts_for(const Options& o, double seconds) {
  return [&o, begin = Clock::now(), seconds](double share) {
    layout::Effort out;
    out.seed = o.seed;
    if (o.moves > 0) {
      out.moves = o.moves;
      return out;
    }
    constexpr double kLeast_s = 0.05;
    out.moves = std::numeric_limits<std::int64_t>::max();
    const double share_s = std::max(kLeast_s, (seconds - seconds_since(begin)) * share);
    out.spent = [start = Clock::now(), share_s] { return seconds_since(start) / share_s; };
    out.shorter = [begin](const layout::Layout& l) {
      show_progress("laying out: " + to_text(l.length_mm, 0) + " mm of film after " +
                    to_text(seconds_since(begin), 1) + " s");
    };
    return out;
  };
}

/// One for each part of the job.
Result<std::vector<layout::Choice>> choose(const Options& o, const layout::Margins& margins,
                                           const RollJob& job) {
  std::vector<layout::Choice> out;
  const auto start = Clock::now();
  for (const FilmJob& part : job.parts) {
    std::vector<layout::Film> films;
    for (const std::size_t k : part.films) films.push_back(job.stock.films[k]);
    const double left = o.effort_s - seconds_since(start);
    auto choice =
        layout::choose(part.items, films, margins,
                       efforts_for(o, left / static_cast<double>(job.parts.size() - out.size())));
    show_progress("");
    if (!choice.ok()) return choice.error();
    if (choice->strips.empty()) {
      return no_film_will_do(job, part, margins.edge_mm, choice->refused);
    }
    out.push_back(std::move(choice).value());
  }
  return out;
}

void add_findings(const film::FilmLayout& layout, film::FilmStrip& strip) {
  const double usable = strip.film.width_mm - 2 * layout.edge_mm;
  for (std::size_t k = 0; k < layout.pieces.size(); ++k) {
    const film::LaidPiece& p = layout.pieces[k];
    const auto is_it = [k](const film::LaidCopy& c) { return c.piece == k; };
    if (std::none_of(strip.copies.begin(), strip.copies.end(), is_it)) continue;
    const bool level = p.along != "upright" && p.upright_mm <= usable;
    const bool upright = p.along != "level" && p.level_mm <= usable;
    const auto surely = [&](double across) { return across + p.u95_mm.value_or(0) <= usable; };
    if (!p.u95_mm) {
      strip.findings.push_back({"size_not_known_well",
                                "'" + p.name + "' states no uncertainty; measure its pane again"});
    } else if (!(level && surely(p.upright_mm)) && !(upright && surely(p.level_mm))) {
      strip.findings.push_back(
          {"fits_barely", "'" + p.name + "' fits as drawn, but its pane is known to within " +
                              to_text(*p.u95_mm, 1) +
                              " mm only and may need wider film; measure it better or take wider "
                              "film"});
    }
  }
}

film::FilmStrip stored(const RollJob& job, const FilmJob& part, const layout::Offer& offer,
                       std::vector<int>& copies) {
  film::FilmStrip out;
  out.film = job.stock.films[part.films[offer.film]];
  out.length_mm = offer.layout.length_mm, out.bound_mm = offer.layout.bound_mm;
  out.shortest = offer.layout.shortest;
  out.cost = offer.cost, out.waste_mm2 = std::max(0.0, offer.waste_mm2);
  out.rest = offer.rest, out.largest_within = offer.largest_within;
  if (job.endless) out.film.length_mm = 0, out.rest = {};
  for (const layout::Placed& placed : offer.layout.placed) {
    const std::size_t k = part.pieces[placed.item];
    out.copies.push_back(film::laid(job.pieces[k], placed, k, ++copies[k]));
  }
  return out;
}

report::LayoutReport report_of(const layout::Margins& margins, const RollJob& job,
                               const std::vector<layout::Choice>& choices) {
  report::LayoutReport out;
  film::FilmLayout& layout = out.layout;
  layout.currency = job.stock.currency;
  layout.gap_mm = margins.gap_mm, layout.edge_mm = margins.edge_mm;
  for (const film::FilmPiece& p : job.pieces) layout.pieces.push_back(film::laid(p));
  std::vector<int> copies(job.pieces.size(), 0);
  for (std::size_t c = 0; c < choices.size(); ++c) {
    const FilmJob& part = job.parts[c];
    const layout::Choice& choice = choices[c];
    for (const layout::Offer& offer : choice.strips) {
      layout.strips.push_back(stored(job, part, offer, copies));
      add_findings(layout, layout.strips.back());
    }
    for (const layout::Offer& offer : choice.offers) {
      if (choice.strips.size() == 1 && offer.film == choice.strips.front().film) continue;
      out.others.push_back({job.stock.films[part.films[offer.film]], offer.layout.length_mm,
                            offer.cost, offer.waste_mm2});
    }
    for (const layout::Refused& r : choice.refused) {
      out.refused.push_back(job.stock.films[part.films[r.film]].name + ": " + r.why);
    }
  }
  return out;
}

/// Held until the process ends: nobody else takes from the same stock meanwhile.
class Hold {
 public:
  explicit Hold(const std::string& path)
      : folder_(::open(folder_of(path).c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)) {
    if (folder_ >= 0) ::flock(folder_, LOCK_EX);
  }
  Hold(const Hold&) = delete;
  Hold& operator=(const Hold&) = delete;
  ~Hold() {
    if (folder_ >= 0) ::close(folder_);
  }

 private:
  /// Of the stock itself, by whatever link it was named.
  static std::string folder_of(const std::string& path) {
    std::error_code trouble;
    const fs::path real = fs::canonical(path, trouble);
    return (trouble ? fs::absolute(path) : real).parent_path().string();
  }

  int folder_;
};

Outcome take_from_stock(const Options& o, const layout::Margins& margins, const RollJob& job,
                        const std::vector<layout::Choice>& choices, Outputs& outputs) {
  const auto now = records::read_stock(o.words.stock);
  if (!now.ok()) return now.error();
  if (now->bytes != job.stock.bytes) {
    return Error{Code::unwritable_file, "'" + o.words.stock +
                                            "' was changed while the pieces were laid; run roll "
                                            "again"};
  }
  std::vector<film::Taken> taken;
  for (std::size_t c = 0; c < choices.size(); ++c) {
    for (const layout::Offer& offer : choices[c].strips) {
      taken.push_back({job.parts[c].films[offer.film], offer.layout.length_mm, {}});
      if (offer.largest_within.length_mm > 0) taken.back().rests.push_back(offer.largest_within);
    }
  }
  auto bytes = records::stock_after(job.stock, taken, margins.keep_mm);
  if (!bytes.ok()) return bytes.error();
  outputs.set(o.words.stock, std::move(bytes).value());
  return std::nullopt;
}

Result<layout::Margins> margins_in(const Options& o) {
  layout::Margins out;
  struct Row {
    const char* option;
    const std::string& text;
    double most_mm;
    double& into;
  };
  for (const Row& row :
       {Row{"--gap", o.gap, 100, out.gap_mm}, Row{"--edge", o.edge, 500, out.edge_mm},
        Row{"--keep", o.keep, 5000, out.keep_mm}}) {
    const auto mm = length_within(row.option, row.text, 0, row.most_mm);
    if (!mm.ok()) return mm.error();
    row.into = mm.value();
  }
  return out;
}

Outcome wrong_options(const Options& o) {
  if (!(o.effort_s >= 0.1 && o.effort_s <= 3600)) {
    return Error{Code::bad_usage, "--effort takes 0.1 to 3600 seconds"};
  }
  if (o.moves < 0) return Error{Code::bad_usage, "--moves takes a number from 1"};
  if (o.commit && o.words.stock.empty()) {
    return Error{Code::bad_usage,
                 "--commit takes the film from a stock file; name it with --stock"};
  }
  const std::string is = ending(o.drawing);
  if (!o.drawing.empty() && is != ".svg" && is != ".pdf") {
    return Error{Code::bad_usage, "--drawing '" + o.drawing + "': name an .svg or .pdf file"};
  }
  return wrong_options(o.cuts);
}

std::vector<std::string> inputs_of(const Options& o) {
  std::vector<std::string> out = o.words.pieces;
  if (!o.words.stock.empty()) out.push_back(o.words.stock);
  return out;
}

Outcome plan(const Options& o, Outputs& outputs) {
  for (const std::string& path :
       {o.json, o.drawing, o.cuts.svg, o.cuts.dxf, o.cuts.hpgl, o.cuts.pdf}) {
    if (path.empty() || path == "-") continue;
    if (auto failed = outputs.plan(path, inputs_of(o))) return failed;
  }
  return o.commit ? outputs.plan(o.words.stock, {}) : std::nullopt;
}

/// The first strip's file has the name that was given, the others cut-2.svg, cut-3.svg.
std::string of_strip(const std::string& path, std::size_t strip) {
  if (path.empty() || strip == 0) return path;
  const fs::path p(path);
  const std::string name = p.stem().string() + "-" + std::to_string(strip + 1);
  return (p.parent_path() / (name + p.extension().string())).string();
}

/// A strip's own files; those of the first are planned already.
Outcome set_strip(const Options& o, const film::FilmLayout& layout, std::size_t strip,
                  Outputs& outputs) {
  CutFiles cuts = o.cuts;
  std::vector<std::string> more;
  for (std::string* path : cuts.paths()) {
    *path = of_strip(*path, strip);
    if (!path->empty()) more.push_back(*path);
  }
  const bool own_drawing = ending(o.drawing) == ".svg";
  if (own_drawing) more.push_back(of_strip(o.drawing, strip));
  for (const std::string& path : more) {
    if (strip == 0) break;
    if (auto failed = outputs.plan(path, inputs_of(o))) return failed;
  }
  if (own_drawing) {
    outputs.set(of_strip(o.drawing, strip),
                drawings::to_layout_drawing_svg(layout, strip, o.units()));
  }
  return set_cut_files(cuts, film::sheet_of(layout, layout.strips[strip]), outputs);
}

Outcome set_files(const Options& o, const film::FilmLayout& layout, Outputs& outputs) {
  if (!o.json.empty()) outputs.set(o.json, records::to_layout_json(layout));
  if (ending(o.drawing) == ".pdf") {
    outputs.set(o.drawing, drawings::to_layout_drawing_pdf(layout, o.units()));
  }
  for (std::size_t k = 0; k < layout.strips.size(); ++k) {
    if (auto failed = set_strip(o, layout, k, outputs)) return failed;
  }
  return std::nullopt;
}

/// Nobody cuts a strip whose file he does not know of.
std::string files_told(const Options& o, std::size_t strips) {
  std::string out;
  for (const std::string& path : {o.drawing, o.cuts.svg, o.cuts.dxf, o.cuts.hpgl, o.cuts.pdf}) {
    if (path.empty() || (path == o.drawing && ending(path) == ".pdf")) continue;
    out += out.empty() ? "\n  a file for each strip\n" : "";
    for (std::size_t k = 0; k < strips; ++k) {
      out += (k == 0 ? "  " : ", ") + one_line(of_strip(path, k));
    }
    out += "\n";
  }
  return strips > 1 ? out : std::string();
}

Outcome run(const Options& o) {
  if (auto failed = wrong_options(o)) return failed;
  const auto margins = margins_in(o);
  if (!margins.ok()) return margins.error();
  const auto job = roll_job(o.words);
  if (!job.ok()) return job.error();
  Outputs outputs;
  if (auto failed = plan(o, outputs)) return failed;
  const auto choices = choose(o, margins.value(), job.value());
  if (!choices.ok()) return choices.error();
  report::LayoutReport report = report_of(margins.value(), job.value(), choices.value());
  if (auto failed = set_files(o, report.layout, outputs)) return failed;
  report.committed = o.commit;
  const std::string text = o.json == "-" ? records::to_layout_json(report.layout)
                                         : report::to_layout_table(report, o.units()) +
                                               files_told(o, report.layout.strips.size());
  if (!o.commit) return outputs.write(text);
  const Hold hold(o.words.stock);
  if (auto failed = take_from_stock(o, margins.value(), job.value(), choices.value(), outputs)) {
    return failed;
  }
  return outputs.commit(text);
}

}  // namespace

void add_roll(CLI::App& root, Outcome& outcome) {
  const auto o = std::make_shared<Options>();
  CLI::App* command =
      root.add_subcommand("roll", "pieces laid on film: which roll, how much of it");
  command->add_option("pieces", o->words.pieces, "files of piece --json");
  command->add_option("--width", o->words.width, "of the roll, when no stock file is kept: 40in");
  command->add_option("--stock", o->words.stock, "a stock file with rolls and leftovers");
  command->add_option("--from", o->words.from, "the roll or leftover of this name, no other");
  const auto several = [&](const char* name, std::vector<std::string>& into, const char* help) {
    command->add_option(name, into, help)->allow_extra_args(false);
  };
  several("--copies", o->words.copies, "how many: 2 of each piece, or \"front left=2\"");
  several("--film", o->words.films,
          "what film: \"carbon 35\" for each piece, or \"front left=carbon 35\"");
  several("--twin", o->words.twins, "the mirrored piece besides: a piece's name, or all");
  command->add_option("--gap", o->gap, "least distance between two pieces, 3mm if not said");
  command->add_option("--edge", o->edge, "kept free along the film's edges and ends, 5mm");
  command->add_option("--keep", o->keep, "a leftover is kept from this shorter side on, 150mm");
  command->add_option("--effort", o->effort_s, "seconds to search for a shorter layout, 5");
  command->add_option("--moves", o->moves,
                      "search by a number of moves: the same layout each time");
  command->add_option("--seed", o->seed, "another one searches elsewhere");
  command->add_flag("--commit", o->commit, "take the film from the stock file");
  command->add_option("--json", o->json,
                      "write the layout for the job sheet; - for standard output");
  command->add_option("--drawing", o->drawing, "draw the layout to scale, .svg or .pdf");
  add_cut_options(*command, o->cuts);
  command->add_flag("--inches", o->inches, "inches in the table and the drawing");
  command->callback([o, &outcome] { outcome = run(*o); });
}

}  // namespace panecard::app
