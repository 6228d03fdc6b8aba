// What `roll` lays and on what: piece files and the words of the command line as items and films.
#pragma once

#include <string>
#include <vector>

#include "app/app.h"
#include "film/film.h"
#include "layout/layout.h"

namespace panecard::app {

struct RollWords {
  std::vector<std::string> pieces;  ///< files
  std::vector<std::string> copies;  ///< "2" for all, or "front left=2"
  std::vector<std::string> twins;   ///< names, or "all"
  std::vector<std::string> films;   ///< "carbon 35" for all, or "front left=carbon 35"
  std::string width, stock, from;
};

/// The pieces of one film, and the rolls and leftovers of it.
struct FilmJob {
  std::vector<std::size_t> pieces;  ///< of RollJob::pieces
  std::vector<layout::Item> items;  ///< one for each
  std::vector<std::size_t> films;   ///< of RollJob::stock
};

struct RollJob {
  std::vector<film::FilmPiece> pieces;  ///< with their copies, twins behind what they mirror
  film::Stock stock;                    ///< as read; of a bare width an endless film of each kind
  std::vector<FilmJob> parts;           ///< in the order of their first pieces
  bool endless = false;
};

Result<RollJob> roll_job(const RollWords& words);

/// Why no film will do, with the width or length that is missing.
Error no_film_will_do(const RollJob& job, const FilmJob& part, double edge_mm,
                      const std::vector<layout::Refused>& refused);

}  // namespace panecard::app
