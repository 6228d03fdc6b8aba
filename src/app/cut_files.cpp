#include "app/cut_files.h"

#include <CLI/CLI.hpp>

#include "drawings/drawings.h"
#include "film/film.h"
#include "pattern/pattern.h"

namespace panecard::app {
namespace {

Result<drawings::HpglOptions> plotter(const CutFiles& files) {
  constexpr double kMostOvercut_mm = 20, kLeast_mm = 10, kMost_mm = 50000;
  drawings::HpglOptions out;
  struct Row {
    const char* option;
    const std::string& text;
    double least_mm, most_mm;
    double& into;
  };
  for (const Row& row :
       {Row{"--overcut", files.overcut, 0, kMostOvercut_mm, out.overcut_mm},
        Row{"--cutter-length", files.cutter_length, kLeast_mm, kMost_mm, out.max_length_mm},
        Row{"--cutter-width", files.cutter_width, kLeast_mm, kMost_mm, out.max_width_mm}}) {
    if (row.text.empty()) continue;
    const auto mm = length_within(row.option, row.text, row.least_mm, row.most_mm);
    if (!mm.ok()) return mm.error();
    row.into = mm.value();
  }
  return out;
}

Result<std::string> pdf_of(const std::string& tile, const film::CutSheet& sheet) {
  if (tile.empty()) return drawings::to_cut_pdf_long(sheet);
  drawings::CutTiling tiling;
  tiling.paper = tile == "letter" ? drawings::Paper::letter : drawings::Paper::a4;
  return drawings::to_cut_pdf_tiles(sheet, tiling);
}

}  // namespace

void add_cut_options(CLI::App& command, CutFiles& files) {
  command.add_option("--svg", files.svg, "write the cut lines at true size");
  command.add_option("--dxf", files.dxf, "write the cut lines as DXF R12");
  command.add_option("--hpgl", files.hpgl, "write the cut lines for a plotter");
  command.add_option("--overcut", files.overcut, "the plotter goes so far past each cut's start");
  command.add_option("--cutter-length", files.cutter_length, "the longest cut the plotter takes");
  command.add_option("--cutter-width", files.cutter_width, "the widest cut the plotter takes");
  command.add_option("--pdf", files.pdf, "write the cut lines at full size on one page");
  command.add_option("--tile", files.tile, "the PDF on office paper")
      ->check(CLI::IsMember({"a4", "letter"}));
}

Outcome wrong_options(const CutFiles& files) {
  if (!files.tile.empty() && files.pdf.empty()) {
    return Error{Code::bad_usage, "--tile is for --pdf; name a .pdf file"};
  }
  const bool plotter_words =
      !files.overcut.empty() || !files.cutter_length.empty() || !files.cutter_width.empty();
  if (plotter_words && files.hpgl.empty()) {
    return Error{
        Code::bad_usage,
        "--overcut, --cutter-length and --cutter-width are for --hpgl; name a file for it"};
  }
  const auto options = plotter(files);
  return options.ok() ? std::nullopt : Outcome(options.error());
}

Outcome set_cut_files(const CutFiles& files, const film::CutSheet& sheet, Outputs& outputs) {
  const auto set = [&](const std::string& path, const auto& make_bytes) -> Outcome {
    if (path.empty()) return std::nullopt;
    Result<std::string> bytes = make_bytes();
    if (!bytes.ok()) return bytes.error();
    outputs.set(path, std::move(bytes).value());
    return std::nullopt;
  };
  const auto options = plotter(files);
  if (!options.ok()) return options.error();
  auto failed = set(files.svg, [&] { return drawings::to_cut_svg(sheet); });
  if (!failed) failed = set(files.dxf, [&] { return drawings::to_cut_dxf(sheet); });
  if (!failed) failed = set(files.hpgl, [&] { return drawings::to_hpgl(sheet, options.value()); });
  if (!failed) failed = set(files.pdf, [&] { return pdf_of(files.tile, sheet); });
  return failed;
}

Result<double> length_within(const std::string& option, const std::string& text, double least_mm,
                             double most_mm) {
  const auto mm = pattern::length_mm(text);
  if (mm && *mm >= least_mm && *mm <= most_mm) return *mm;
  return Error{Code::bad_usage, option + " '" + text + "': give a length from " +
                                    to_text(least_mm, 0) + " to " + to_text(most_mm, 0) +
                                    " mm, as 1016mm or 40in"};
}

}  // namespace panecard::app
