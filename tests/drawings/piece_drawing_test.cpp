// What the drawing of a film piece says, as Poppler reads it.
#if defined(__GNUC__) && !defined(__clang__)
// GCC 12 finds members of std::regex uninitialised when the sanitizers are on.
#pragma GCC diagnostic ignored "-Wmaybe-uninitialized"
#endif

#include <doctest/doctest.h>

#include <cmath>
#include <regex>

#include "drawings/drawings.h"
#include "film/film.h"
#include "records/records.h"
#include "report/report.h"
#include "support/folder.h"
#include "support/outside.h"

namespace panecard::drawings {
namespace {

/// A rectangle whose corners are quarter circles: a quarter turn's bulge is tan(90 deg / 4).
report::PieceReport rounded(double width, double height, double radius) {
  const double bulge = std::tan(std::atan(1.0) / 2);
  report::PieceReport out;
  film::FilmPiece& piece = out.piece;
  piece.name = "slider";
  piece.boundary = "glass";
  const double w = width, h = height, r = radius;
  piece.arcs = {{{r, 0}, 0},     {{w - r, 0}, bulge}, {{w, r}, 0},     {{w, h - r}, bulge},
                {{w - r, h}, 0}, {{r, h}, bulge},     {{0, h - r}, 0}, {{0, r}, bulge}};
  piece.cut = film::shape_of(piece);
  piece.area_mm2 = signed_area_mm2(piece.cut);
  return out;
}

std::string words_of(const report::PieceReport& report, Units u) {
  const outside::TemporaryFile pdf(".pdf", to_piece_drawing_pdf(report, u));
  return outside::run("pdftotext", "poppler-utils", "-layout " + pdf.path() + " -");
}

std::size_t count(const std::string& text, const std::string& pattern) {
  const std::regex wanted(pattern);
  return static_cast<std::size_t>(
      std::distance(std::sregex_iterator(text.begin(), text.end(), wanted), {}));
}

}  // namespace

TEST_CASE("a piece's drawing states the radius of each corner, in either unit") {
  const report::PieceReport report = rounded(500, 400, 12.7);
  CHECK(count(words_of(report, Units::mm), "R 12\\.7") == 4);
  CHECK(count(words_of(report, Units::inch), "R 0\\.50") == 4);  // 12.7 mm are half an inch
}

TEST_CASE("a piece's film and whether it may be turned over come back from its file") {
  film::FilmPiece piece = rounded(500, 400, 6).piece;
  const std::string plain = records::to_piece_json(piece);
  CHECK(plain.find("\"film\"") == std::string::npos);
  piece.film = "carbon 35", piece.may_mirror = true;
  const support::Folder folder;
  const auto back = records::read_piece(folder.write("piece.json", records::to_piece_json(piece)));
  REQUIRE(back.ok());
  CHECK(back->film == "carbon 35");
  CHECK(back->may_mirror);
  const auto unsaid = records::read_piece(folder.write("plain.json", plain));
  REQUIRE(unsaid.ok());
  CHECK(unsaid->film.empty());
  CHECK(!unsaid->may_mirror);
}

}  // namespace panecard::drawings
