// What `piece` and `roll` leave for the knife.
#pragma once

#include <string>
#include <vector>

#include "app/app.h"
#include "film/film.h"

namespace panecard::app {

/// Paths and words of the command line; empty: not asked for.
struct CutFiles {
  std::string svg, dxf, hpgl, pdf, tile;
  std::string overcut, cutter_length, cutter_width;

  std::vector<std::string*> paths() { return {&svg, &dxf, &hpgl, &pdf}; }
};

void add_cut_options(CLI::App& command, CutFiles& files);
Outcome wrong_options(const CutFiles& files);
/// The planned files' bytes.
Outcome set_cut_files(const CutFiles& files, const film::CutSheet& sheet, Outputs& outputs);

/// A length within bounds. @param option  for the error
Result<double> length_within(const std::string& option, const std::string& text, double least_mm,
                             double most_mm);

}  // namespace panecard::app
