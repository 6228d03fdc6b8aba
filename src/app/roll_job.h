// What `roll` lays and on what: piece files and the words of the command line as items and films.
#pragma once

#include <string>
#include <vector>

#include "app/app.h"
#include "formats/formats.h"
#include "layout/layout.h"

namespace panecard::app {

struct RollWords {
  std::vector<std::string> pieces;  ///< files
  std::vector<std::string> copies;  ///< "2" for all, or "front left=2"
  std::vector<std::string> twins;   ///< names, or "all"
  std::string width, stock, film, from;
};

struct RollJob {
  std::vector<formats::StoredPiece> pieces;  ///< with their copies, twins behind what they mirror
  std::vector<layout::Item> items;           ///< one for each
  formats::Stock stock;                      ///< as read; of a bare width one endless film
  std::vector<std::size_t> films;            ///< of stock.films, those asked for
  bool endless = false;
};

Result<RollJob> roll_job(const RollWords& words);

/// Why no film will do, with the width or length that is missing.
Error no_film_will_do(const RollJob& job, double edge_mm,
                      const std::vector<layout::Refused>& refused);

}  // namespace panecard::app
