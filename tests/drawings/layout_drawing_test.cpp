// What is drawn and cut of a layout, read by other programs.
#include <doctest/doctest.h>

#include <string>

#include "drawings/drawings.h"
#include "film/film.h"
#include "film/tongues.h"
#include "support/outside.h"

namespace panecard::drawings {

TEST_CASE("a layout cut from DXF has each piece where its file says, read by GDAL") {
  const film::FilmLayout layout = sample::two_tongues();
  for (const film::FilmStrip& strip : layout.strips) {
    const auto dxf = to_cut_dxf(sheet_of(layout, strip));
    REQUIRE(dxf.ok());
    std::vector<PolygonMm> cuts;
    for (const outside::DxfFeature& f : outside::read_dxf(dxf.value())) {
      if (f.layer == "CUT" && f.points.size() > 2) cuts.push_back(f.points);
    }
    REQUIRE(cuts.size() == 1);
    film::FilmPiece piece;
    piece.arcs = strip.copies.front().arcs;
    CHECK(sample::furthest_between(film::shape_of(piece), cuts[0]) < 0.05);
  }
}

TEST_CASE(
    "the drawing has a page for each strip with film, length and pieces, as Poppler reads it") {
  const outside::TemporaryFile pdf(".pdf", to_layout_drawing_pdf(sample::two_tongues(), Units::mm));
  const std::string words =
      outside::run("pdftotext", "poppler-utils", "-layout " + pdf.path() + " -");
  for (const char* said :
       {"roll A, carbon 35, 400 mm wide", "380 mm", "tongue", "3.61 EUR", "4620 mm stay on roll A",
        "380 x 190 mm", "it fits barely", "Check against the glass", "shelf 2, carbon 35",
        "strip 1 of 2", "strip 2 of 2", "1 of 2", "120 mm stay on shelf 2"}) {
    CAPTURE(said);
    CHECK(words.find(said) != std::string::npos);
  }
  const outside::TemporaryFile inch(".pdf",
                                    to_layout_drawing_pdf(sample::two_tongues(), Units::inch));
  const std::string inches =
      outside::run("pdftotext", "poppler-utils", "-layout " + inch.path() + " -");
  CHECK(inches.find("14.96 in (14 15/16)") != std::string::npos);  // 380 mm / 25.4
}

}  // namespace panecard::drawings
