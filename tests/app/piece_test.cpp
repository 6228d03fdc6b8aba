// From an outline's result file to a film piece: exit status, files and what they say.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "app/program.h"
#include "drawings/drawings.h"
#include "film/film.h"
#include "model/model.h"
#include "model/sample.h"
#include "records/records.h"
#include "support/folder.h"

namespace panecard::tests {

using support::bytes_of;
using support::Folder;

namespace {

/// A pane of 486 x 412 mm, bent with this probability.
std::string slider(const Folder& folder, const std::string& boundary = "glass", double bent = 0) {
  model::Measurement m = sample::slider();
  m.boundary = boundary;
  m.face.bent_probability = bent;
  return folder.write("slider-" + boundary + ".json", records::to_json(m));
}

PointMm size_of(const film::FilmPiece& piece) {
  PointMm low = piece.cut[0], high = low;
  for (const PointMm p : piece.cut) {
    low = {std::min(low.x, p.x), std::min(low.y, p.y)};
    high = {std::max(high.x, p.x), std::max(high.y, p.y)};
  }
  return high - low;
}

film::FilmPiece piece_of(std::vector<std::string> arguments, const Folder& folder) {
  const std::string path = folder / "piece.json";
  arguments.insert(arguments.begin(), "piece");
  arguments.insert(arguments.end(), {"--json", path});
  const Run run = panecard_with(arguments);
  CAPTURE(run.err);
  REQUIRE(run.status == 0);
  const auto piece = records::read_piece(path);
  REQUIRE(piece.ok());
  return piece.value();
}

}  // namespace

TEST_CASE("a piece has the pane's size and what each side was allowed, in any unit") {
  const Folder folder;
  const std::string pane = slider(folder);
  struct Row {
    std::vector<std::string> options;
    double more_wide_mm, more_high_mm;
  };
  // The curve is cut where it was measured; added is what the options say (1 in = 25.4 mm, exact).
  const std::vector<Row> rows = {
      {{}, 0, 0},
      {{"--allow", "all=2mm"}, 4, 4},
      {{"--allow", "bottom=12mm", "--allow", "top=-1mm"}, 0, 11},
      {{"--allow", "left=-1/16in", "--allow", "all=0.25in"}, 6.35 - 1.5875, 12.7},
      {{"--oversize", "2.5cm"}, 50, 50},
      {{"--set", "roll-down", "--allow", "all=2mm", "--allow", "bottom=1 1/2in"}, 4, 40.1},
  };
  const PointMm plain = size_of(piece_of({pane}, folder));
  CHECK(std::abs(plain.x - 486) < 0.1);
  CHECK(std::abs(plain.y - 412) < 0.1);
  for (const Row& row : rows) {
    CAPTURE(row.options);
    std::vector<std::string> arguments = {pane};
    arguments.insert(arguments.end(), row.options.begin(), row.options.end());
    const film::FilmPiece piece = piece_of(arguments, folder);
    double added_wide = 0, added_high = 0;  // for U95, where the set asks to cover
    for (const film::FilmSide& s : piece.sides) {
      (s.where == "top" || s.where == "bottom" ? added_high : added_wide) += s.u95_added_mm;
    }
    const PointMm size = size_of(piece);
    CHECK(std::abs(size.x - plain.x - row.more_wide_mm - added_wide) < 0.02);
    CHECK(std::abs(size.y - plain.y - row.more_high_mm - added_high) < 0.02);
  }
}

TEST_CASE("a side that must cover is moved by the largest U95 of its outline") {
  const Folder folder;
  const std::string pane = slider(folder);
  const model::Measurement m = sample::slider();
  const double most = *std::max_element(m.outline.u95_mm.begin(), m.outline.u95_mm.end());
  const film::FilmPiece piece = piece_of({pane, "--cover", "bottom"}, folder);
  REQUIRE(piece.sides.size() == 4);
  for (const film::FilmSide& s : piece.sides) {
    CAPTURE(s.where);
    REQUIRE(s.u95_mm.has_value());
    CHECK(*s.u95_mm > 0);
    CHECK(*s.u95_mm <= most + 1e-4);
    CHECK(s.u95_added_mm == (s.where == "bottom" ? *s.u95_mm : 0));
    CHECK(s.allowance_mm == s.u95_added_mm);
  }
}

TEST_CASE("the twin is the piece turned over") {
  const Folder folder;
  const std::string pane = slider(folder);
  const film::FilmPiece piece = piece_of({pane, "--allow", "left=9mm"}, folder);
  const film::FilmPiece twin = piece_of({pane, "--allow", "left=9mm", "--mirror"}, folder);
  REQUIRE(twin.cut.size() == piece.cut.size());
  for (std::size_t i = 0; i < twin.cut.size(); ++i) {
    const PointMm p = piece.cut[piece.cut.size() - 1 - i];
    CHECK(distance(twin.cut[i], {-p.x, p.y}) < 1e-3);
  }
  for (const film::FilmSide& s : twin.sides) {
    CAPTURE(s.where);
    CHECK(s.allowance_mm == (s.where == "right" ? 9 : 0));
  }
}

TEST_CASE("a bent pane's upright lies along the roll unless it is said otherwise") {
  const Folder folder;
  CHECK(piece_of({slider(folder)}, folder).along == "any");
  const std::string bent = slider(folder, "glass", 0.97);
  const film::FilmPiece piece = piece_of({bent}, folder);
  CHECK(piece.along == "upright");
  REQUIRE(piece.findings.size() == 1);
  CHECK(piece.findings[0].code == "along_the_roll");
  CHECK(piece_of({bent, "--along", "level"}, folder).along == "level");
  REQUIRE(panecard_with({"piece", bent, "--hpgl", folder / "p.plt", "--svg", folder / "p.svg"})
              .status == 0);
  // 10 mm all round; x runs along the roll, which is the pane's height.
  CHECK(bytes_of(folder / "p.svg").find("width=\"432") != std::string::npos);
}

TEST_CASE("a piece is written in every format, and both twins on request") {
  const Folder folder, files;
  const std::string pane = slider(folder);
  const Run run = panecard_with({"piece",
                                 pane,
                                 "--both",
                                 "--copies",
                                 "3",
                                 "--name",
                                 "left slider",
                                 "--allow",
                                 "all=3mm",
                                 "--json",
                                 files / "p.json",
                                 "--svg",
                                 files / "p.svg",
                                 "--dxf",
                                 files / "p.dxf",
                                 "--hpgl",
                                 files / "p.plt",
                                 "--pdf",
                                 files / "p.pdf",
                                 "--tile",
                                 "letter",
                                 "--drawing",
                                 files / "d.svg",
                                 "--inches"});
  CAPTURE(run.err);
  CHECK(run.status == 0);
  CHECK(run.err.empty());
  for (const char* words : {"left slider", "left slider-mirrored", "+0.118", "3 copies"}) {
    CAPTURE(words);
    CHECK(run.out.find(words) != std::string::npos);
  }
  CHECK(files.entries() == 12);
  for (const std::string twin : {"", "-mirrored"}) {
    CAPTURE(twin);
    const auto piece = records::read_piece(files / ("p" + twin + ".json"));
    REQUIRE(piece.ok());
    CHECK(piece->name == "left slider" + twin);
    CHECK(piece->copies == 3);
    CHECK(bytes_of(files / ("p" + twin + ".svg")).find("<svg") != std::string::npos);
    CHECK(bytes_of(files / ("p" + twin + ".dxf")).find("CUT") != std::string::npos);
    CHECK(bytes_of(files / ("p" + twin + ".plt")).find("PD") != std::string::npos);
    CHECK(bytes_of(files / ("p" + twin + ".pdf")).starts_with("%PDF"));
    CHECK(bytes_of(files / ("d" + twin + ".svg")).find("left slider" + twin) != std::string::npos);
  }
  const Run json = panecard_with({"piece", pane, "--json", "-"});
  CHECK(json.status == 0);
  CHECK(json.out.find("\"panecard-piece\"") != std::string::npos);
}

TEST_CASE("the outline kind decides about dots and ready-made sets") {
  const Folder folder;
  const std::string glass = slider(folder), dots = slider(folder, "dots"),
                    solid = slider(folder, "solid");
  CHECK(std::abs(size_of(piece_of({dots, "--inside-dots", "1mm"}, folder)).x - 484) < 0.1);
  CHECK(std::abs(size_of(piece_of({solid, "--over-dots", "2mm"}, folder)).x - 490) < 0.1);
  CHECK(std::abs(size_of(piece_of({dots, "--set", "inside-dots"}, folder)).x - 484) < 0.1);
  for (const std::vector<std::string>& row :
       {std::vector<std::string>{glass, "--inside-dots", "1mm"},
        {solid, "--inside-dots", "1mm"},
        {dots, "--over-dots", "1mm"},
        {glass, "--set", "inside-dots"}}) {
    CAPTURE(row);
    std::vector<std::string> arguments = {"piece"};
    arguments.insert(arguments.end(), row.begin(), row.end());
    const Run run = panecard_with(arguments);
    check_fails(run, 2);
    CHECK(run.err.find("--boundary") != std::string::npos);
  }
}

TEST_CASE("ready-made sets are listed, and one's own list is read instead") {
  const Run shipped = panecard_with({"piece", "--list-sets"});
  CHECK(shipped.status == 0);
  for (const char* name : {"roll-down\n", "inside-dots\n", "over-dots\n", "sliding-rear\n"}) {
    CAPTURE(name);
    CHECK(shipped.out.find(name) != std::string::npos);
  }
  const Folder folder;
  const std::string own = folder.write(
      "own.json",
      R"({"format": "panecard-allowances", "version": 1, "sets": [{"name": "mine", "title": "t",
          "note": "n", "rest": "5mm"}]})");
  const std::string pane = slider(folder);
  CHECK(panecard_with({"piece", "--list-sets", "--sets", own}).out.starts_with("mine\n"));
  CHECK(std::abs(size_of(piece_of({pane, "--sets", own, "--set", "mine"}, folder)).x - 496) < 0.1);
}

TEST_CASE("wrong use of piece ends with status 2 and one line, and writes nothing") {
  const Folder folder;
  const std::string pane = slider(folder);
  const std::string text = folder.write("text.json", "{\"format\": 1}");
  const std::string list = folder.write("list.json", "{\n  \"format\": x}");
  const std::size_t before = folder.entries();
  struct Row {
    std::vector<std::string> arguments;
    std::string says;
  };
  const std::vector<Row> rows = {
      {{}, "needs an outline"},
      {{folder / "missing.json"}, "missing.json"},
      {{text}, "format"},
      {{pane, "--allow", "12mm"}, "a side and a length"},
      {{pane, "--allow", "bottom=wide"}, "a side and a length"},
      {{pane, "--allow", "bottom=1/2mm"}, "a side and a length"},
      {{pane, "--allow", "bottom=2m"}, "a side and a length"},
      {{pane, "--allow", "bottom=2000mm"}, "1 m"},
      {{pane, "--allow", "hood=2mm"}, "hood"},
      {{pane, "--allow", "top=1", "--allow", "top=2"}, "before"},
      {{pane, "--allow", "all=-300mm"}, "is possible"},
      {{pane, "--cover", "hood"}, "hood"},
      {{pane, "--round", "nowhere=3mm"}, "nowhere"},
      {{pane, "--round", "-3mm"}, "radius"},
      {{pane, "--relief", "wide"}, "a corner's"},
      {{pane, "--oversize", "-5mm"}, "0 to 1000"},
      {{pane, "--oversize", "25mm", "--allow", "top=1mm"}, "oversize"},
      {{pane, "--oversize", "25mm", "--cover", "top"}, "say all"},
      {{pane, "--set", "nothing"}, "there are roll-down"},
      {{pane, "--sets", list, "--set", "mine"}, "line 2"},
      {{pane, "--sets", list}, "--sets needs --set"},
      {{pane, "--mirror", "--both"}, "--both"},
      {{pane, "--both", "--json", "-"}, "two pieces"},
      {{pane, "--along", "sideways"}, "sideways"},
      {{pane, "--copies", "0"}, "--copies"},
      {{pane, "--copies", "some"}, "copies"},
      {{pane, "--tile", "a4"}, "--pdf"},
      {{pane, "--drawing", folder / "d.gif"}, ".svg or .pdf"},
      {{pane, "--json", pane}, "read from"},
      {{pane, "--svg", folder / "p", "--dxf", folder / "p"}, "two results"},
      {{pane, "--svg", folder / "a.svg", "--pdf", "/dev/full"}, "/dev/full"},
      {{pane, "--svg", folder / "a.svg", "--dxf", folder / "missing/a.dxf"}, "missing"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.arguments);
    std::vector<std::string> arguments = {"piece"};
    arguments.insert(arguments.end(), row.arguments.begin(), row.arguments.end());
    const Run run = panecard_with(arguments);
    check_fails(run, 2);
    CHECK(run.err.find(row.says) != std::string::npos);
    CHECK(folder.entries() == before);
  }
}

}  // namespace panecard::tests
