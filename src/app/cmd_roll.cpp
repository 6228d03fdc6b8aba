#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <chrono>
#include <cmath>
#include <filesystem>
#include <memory>
#include <set>

#include "app/app.h"
#include "app/cut_files.h"
#include "app/roll_job.h"
#include "formats/formats.h"
#include "layout/layout.h"

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

  formats::Units units() const { return inches ? formats::Units::inch : formats::Units::mm; }
};

struct Lengths {
  double gap_mm = 0, edge_mm = 0, keep_mm = 0;
};

double seconds_since(Clock::time_point start) {
  return std::chrono::duration<double>(Clock::now() - start).count();
}

/// The time is shared by the widths; what one leaves over goes to the next.
class Efforts {
 public:
  Efforts(const Options& o, std::size_t widths)
      : o_(o), widths_(std::max<std::size_t>(widths, 1)) {}

  layout::Effort operator()(std::size_t width) const {
    layout::Effort out;
    out.seed = o_.seed;
    if (o_.moves > 0) {
      out.moves = o_.moves;
      return out;
    }
    out.moves = std::numeric_limits<std::int64_t>::max();
    const std::size_t to_come = widths_ - std::min(width, widths_ - 1);
    const double share_s =
        std::max(0.05, (o_.effort_s - seconds_since(start_)) / static_cast<double>(to_come));
    out.spent = [begin = Clock::now(), share_s] { return seconds_since(begin) / share_s; };
    out.shorter = [this](const layout::Layout& l) {
      show_progress("laying out: " + to_text(l.length_mm, 0) + " mm of film after " +
                    to_text(seconds_since(start_), 1) + " s");
    };
    return out;
  }

 private:
  const Options& o_;
  std::size_t widths_;
  Clock::time_point start_ = Clock::now();
};

Result<layout::Choice> choose(const Options& o, const Lengths& lengths, const RollJob& job) {
  std::vector<layout::Film> films;
  std::set<double> widths;
  for (const std::size_t k : job.films) {
    films.push_back(job.stock.films[k]);
    widths.insert(films.back().width_mm);
  }
  const Efforts efforts(o, widths.size());
  auto choice = layout::choose(job.items, films, lengths.gap_mm, lengths.edge_mm, lengths.keep_mm,
                               [&](std::size_t width) { return efforts(width); });
  show_progress("");
  if (!choice.ok()) return choice;
  if (choice->offers.empty()) return no_film_will_do(job, lengths.edge_mm, choice->refused);
  return choice;
}

void add_findings(const RollJob& job, formats::StoredLayout& out) {
  const double usable = out.film.width_mm - 2 * out.edge_mm;
  for (const formats::LaidPiece& p : out.pieces) {
    const bool level = p.along != "upright" && p.upright_mm <= usable;
    const bool upright = p.along != "level" && p.level_mm <= usable;
    const auto surely = [&](double across) { return across + p.u95_mm.value_or(0) <= usable; };
    if (!p.u95_mm) {
      out.findings.push_back({"size_not_known_well",
                              "'" + p.name + "' states no uncertainty; measure its pane again"});
    } else if (!(level && surely(p.upright_mm)) && !(upright && surely(p.level_mm))) {
      out.findings.push_back(
          {"fits_barely", "'" + p.name + "' fits as drawn, but its pane is known to within " +
                              to_text(*p.u95_mm, 1) +
                              " mm only and may need wider film; measure it better or take wider "
                              "film"});
    }
  }
  if (out.film.leftover || job.endless) return;
  for (const std::size_t k : job.films) {
    const layout::Film& film = job.stock.films[k];
    if (!film.leftover) continue;
    for (const formats::StoredPiece& p : job.pieces) {
      const formats::LaidPiece size = formats::laid(p);
      const double width = film.width_mm - 2 * out.edge_mm,
                   length = film.length_mm - 2 * out.edge_mm;
      const bool level =
          p.along != "upright" && size.upright_mm <= width && size.level_mm <= length;
      const bool upright =
          p.along != "level" && size.level_mm <= width && size.upright_mm <= length;
      if (!level && !upright) continue;
      out.findings.push_back(
          {"leftover_would_do", "'" + film.name + "', a leftover, would take '" + p.name +
                                    "' by itself: lay it with --from \"" + film.name + "\""});
      break;
    }
  }
}

formats::StoredLayout stored(const Lengths& lengths, const RollJob& job,
                             const layout::Offer& offer) {
  formats::StoredLayout out;
  out.film = job.stock.films[job.films[offer.film]];
  out.currency = job.stock.currency;
  out.gap_mm = lengths.gap_mm, out.edge_mm = lengths.edge_mm;
  out.length_mm = offer.layout.length_mm, out.bound_mm = offer.layout.bound_mm;
  out.shortest = offer.layout.shortest;
  out.cost = offer.cost, out.waste_mm2 = std::max(0.0, offer.waste_mm2);
  out.rest = offer.rest, out.largest_within = offer.largest_within;
  if (job.endless) out.film.length_mm = 0, out.rest = {};
  for (const formats::StoredPiece& p : job.pieces) out.pieces.push_back(formats::laid(p));
  std::vector<int> copies(job.pieces.size(), 0);
  for (const layout::Placed& placed : offer.layout.placed) {
    const std::size_t k = placed.item;
    out.copies.push_back(formats::laid(job.pieces[k], placed, k, ++copies[k]));
  }
  add_findings(job, out);
  return out;
}

formats::LayoutReport report_of(const Lengths& lengths, const RollJob& job,
                                const layout::Choice& choice) {
  formats::LayoutReport out;
  out.layout = stored(lengths, job, choice.offers.front());
  for (std::size_t k = 1; k < choice.offers.size(); ++k) {
    const layout::Offer& offer = choice.offers[k];
    out.others.push_back({job.stock.films[job.films[offer.film]], offer.layout.length_mm,
                          offer.cost, offer.waste_mm2});
  }
  for (const layout::Refused& r : choice.refused) {
    out.refused.push_back(job.stock.films[job.films[r.film]].name + ": " + r.why);
  }
  return out;
}

/// Held until the process ends: nobody else takes from the same stock meanwhile.
class Hold {
 public:
  explicit Hold(const std::string& path)
      : folder_(
            ::open(fs::absolute(path).parent_path().c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)) {
    if (folder_ >= 0) ::flock(folder_, LOCK_EX);
  }
  Hold(const Hold&) = delete;
  Hold& operator=(const Hold&) = delete;
  ~Hold() {
    if (folder_ >= 0) ::close(folder_);
  }

 private:
  int folder_;
};

Outcome take_from_stock(const Options& o, const Lengths& lengths, const RollJob& job,
                        const layout::Offer& offer, Outputs& outputs) {
  const auto now = formats::read_stock(o.words.stock);
  if (!now.ok()) return now.error();
  if (now->bytes != job.stock.bytes) {
    return Error{Code::unwritable_file, "'" + o.words.stock +
                                            "' was changed while the pieces were laid; run roll "
                                            "again"};
  }
  std::vector<layout::Rectangle> rests;
  if (offer.largest_within.length_mm > 0) rests.push_back(offer.largest_within);
  auto bytes = formats::stock_after(job.stock, job.films[offer.film], offer.layout.length_mm, rests,
                                    lengths.keep_mm);
  if (!bytes.ok()) return bytes.error();
  outputs.set(o.words.stock, std::move(bytes).value());
  return std::nullopt;
}

Result<Lengths> lengths_in(const Options& o) {
  Lengths out;
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

Outcome plan(const Options& o, Outputs& outputs) {
  std::vector<std::string> inputs = o.words.pieces;
  if (!o.words.stock.empty()) inputs.push_back(o.words.stock);
  for (const std::string& path :
       {o.json, o.drawing, o.cuts.svg, o.cuts.dxf, o.cuts.hpgl, o.cuts.pdf}) {
    if (path.empty() || path == "-") continue;
    if (auto failed = outputs.plan(path, inputs)) return failed;
  }
  return o.commit ? outputs.plan(o.words.stock, {}) : std::nullopt;
}

Outcome set_files(const Options& o, const formats::StoredLayout& layout, Outputs& outputs) {
  if (!o.json.empty()) outputs.set(o.json, formats::to_layout_json(layout));
  if (!o.drawing.empty()) {
    outputs.set(o.drawing, ending(o.drawing) == ".pdf"
                               ? formats::to_layout_drawing_pdf(layout, o.units())
                               : formats::to_layout_drawing_svg(layout, o.units()));
  }
  return set_cut_files(o.cuts, formats::sheet_of(layout), outputs);
}

Outcome run(const Options& o) {
  if (auto failed = wrong_options(o)) return failed;
  const auto lengths = lengths_in(o);
  if (!lengths.ok()) return lengths.error();
  const auto job = roll_job(o.words);
  if (!job.ok()) return job.error();
  Outputs outputs;
  if (auto failed = plan(o, outputs)) return failed;
  const auto choice = choose(o, lengths.value(), job.value());
  if (!choice.ok()) return choice.error();
  formats::LayoutReport report = report_of(lengths.value(), job.value(), choice.value());
  if (auto failed = set_files(o, report.layout, outputs)) return failed;
  report.committed = o.commit;
  const std::string text = o.json == "-" ? formats::to_layout_json(report.layout)
                                         : formats::to_layout_table(report, o.units());
  if (!o.commit) return outputs.write(text);
  const Hold hold(o.words.stock);
  if (auto failed =
          take_from_stock(o, lengths.value(), job.value(), choice->offers.front(), outputs)) {
    return failed;
  }
  return outputs.write(text);
}

}  // namespace

void add_roll(CLI::App& root, Outcome& outcome) {
  const auto o = std::make_shared<Options>();
  CLI::App* command =
      root.add_subcommand("roll", "pieces laid on film: which roll, how much of it");
  command->add_option("pieces", o->words.pieces, "files of piece --json");
  command->add_option("--width", o->words.width, "of the roll, when no stock file is kept: 40in");
  command->add_option("--stock", o->words.stock, "a stock file with rolls and leftovers");
  command->add_option("--film", o->words.film, "which film of the stock: \"carbon 35\"");
  command->add_option("--from", o->words.from, "the roll or leftover of this name, no other");
  const auto several = [&](const char* name, std::vector<std::string>& into, const char* help) {
    command->add_option(name, into, help)->allow_extra_args(false);
  };
  several("--copies", o->words.copies, "how many: 2 of each piece, or \"front left=2\"");
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
