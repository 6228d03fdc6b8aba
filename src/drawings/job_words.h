// What a job sheet says, on paper and in a browser alike.
#pragma once

#include <string>
#include <vector>

#include "drawings/drawings.h"

namespace panecard::drawings {

struct WordColumn {
  std::string head;     ///< empty: that of the column before reaches over this one
  bool right = true;    ///< numbers end where the column ends
  bool joined = false;  ///< stands close behind the column before, as a plus-minus does
};
struct WordTable {
  std::vector<WordColumn> columns;
  std::vector<std::vector<std::string>> rows;
};

WordTable pane_table(const Job& job, Units u);               ///< a row for each pane
WordTable size_table(const model::Measurement& m, Units u);  ///< of one pane, in both units
std::string pane_caption(const JobPane& pane);               ///< which edge, which photo
std::vector<std::string> pane_doubts(const JobPane&);        ///< warnings, each a sentence or two

std::string piece_sizes(const film::FilmPiece& piece, Units u);
/// Its allowances and doubts, and what of it the layout holds besides.
std::vector<std::string> piece_words(const Job& job, const film::FilmPiece& piece, Units u);

/// What is used of a strip's film, what is left.
WordTable film_table(const film::FilmLayout& layout, std::size_t strip, Units u);
std::vector<std::string> film_doubts(const film::FilmStrip& strip);
/// A row for each copy, in the order in which the knife comes to them along the roll.
WordTable cut_table(const film::FilmLayout& layout, const film::FilmStrip& strip, Units u);

WordTable light_table(const JobLight& light);
std::vector<std::string> light_words(const JobLight& light);

std::vector<std::string> order_of_work();  ///< common practice
std::vector<std::string> cautions();

std::string job_title(const Job& job);  ///< the vehicle, or that it was not named

}  // namespace panecard::drawings
