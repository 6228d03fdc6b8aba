// Result, check, piece, layout and stock files: JSON out, and JSON from strangers back in.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/base.h"
#include "check/check.h"
#include "film/film.h"
#include "geom/geom.h"
#include "model/model.h"
#include "outline/outline.h"
#include "report/report.h"

namespace panecard::records {

std::string to_json(const model::Measurement& m);  ///< the contract's result file

/// What a result file tells another command.
struct StoredOutline {
  check::Shape shape;
  std::string boundary, photo_name;
  std::vector<outline::Piece> pieces;  ///< only their first, last, corner and name
  std::optional<double> bent_probability;
};

/// @retval unreadable_file, too_large
Result<StoredOutline> read_result(const std::string& path);
/// The same from bytes that are read already; `name` is for messages.
Result<StoredOutline> result_in(const std::string& bytes, const std::string& name);

/// All that a result file tells but the covariance and the geometry of the pieces: those have
/// their names, ends and sizes. Without a box, its sides are those of the points, at their worst
/// U95.
/// @retval unreadable_file, too_large
Result<model::Measurement> read_measurement(const std::string& path);
/// The same from bytes that are read already; `name` is for messages.
Result<model::Measurement> measurement_in(const std::string& bytes, const std::string& name);

/// What kind of file this is by its own word: "panecard-outline", "panecard-piece", ...
/// @retval unreadable_file, too_large
Result<std::string> read_format(const std::string& path);

std::string to_check_json(const report::CheckReport& report);

std::string to_compare_json(const report::CompareReport& report);

std::string to_piece_json(const film::FilmPiece& piece);
/// @retval unreadable_file, too_large  with line and column, the field, or the place in the shape
Result<film::FilmPiece> read_piece(const std::string& path);

std::string to_layout_json(const film::FilmLayout& layout);
/// @retval unreadable_file, too_large  with line and column, or the field
Result<film::FilmLayout> read_layout(const std::string& path);

/// @retval unreadable_file, too_large  with line and column, or the entry and its field
Result<film::Stock> read_stock(const std::string& path);

/// The stock file once all of that is gone; everything else in it stays as it was. What is left
/// of a leftover goes if its shorter side is less than `keep_mm`.
/// @retval does_not_fit  more is taken than is there
Result<std::string> stock_after(const film::Stock& stock, const std::vector<film::Taken>& taken,
                                double keep_mm);

/// Why these bytes are no JSON to be parsed whole, as in "it is nested too deeply"; nothing when
/// they are. Takes no memory.
std::optional<std::string> json_trouble(std::string_view bytes);

/// Tells files apart that are called alike. FIPS 180-4.
using Sha256 = std::array<std::uint8_t, 32>;
Sha256 sha256(std::string_view bytes);
std::string hex(const Sha256& hash);

}  // namespace panecard::records
