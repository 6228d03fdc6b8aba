// From film pieces to a layout: exit status, files, and what is taken from the stock.
#include <doctest/doctest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <string>
#include <vector>

#include "app/program.h"
#include "film/film.h"
#include "records/records.h"
#include "support/folder.h"

namespace panecard::tests {

using support::bytes_of;
using support::Folder;

namespace {

/// Two pieces at most are simplified outwards, and the search stays clear of contact.
constexpr double kKept_mm = 0.1;

std::string rectangle(const Folder& folder, const std::string& name, double width, double height,
                      const std::string& along = "any", double u95 = 0.5) {
  film::FilmPiece piece;
  piece.name = name;
  piece.boundary = "glass";
  piece.along = along;
  piece.cut = {{0, 0}, {width, 0}, {width, height}, {0, height}};
  for (const PointMm p : piece.cut) piece.arcs.push_back({p, 0});
  piece.area_mm2 = width * height;
  piece.sides = {{"top", "top", 2, 3, 0, 0, u95}, {"bottom", "bottom", 0, 1, 0, 0, u95}};
  return folder.write(name + ".json", records::to_piece_json(piece));
}

std::string stock(const Folder& folder) {
  return folder.write("stock.json", R"({"format": "panecard-stock", "version": 1,
    "rolls": [{"name": "A", "film": "dark", "width_mm": 1016, "left_m": 3, "price_per_m": 10},
              {"name": "B", "film": "dark", "width_mm": 610, "left_m": 8, "price_per_m": 5},
              {"name": "C", "film": "light", "width_mm": 1524, "left_m": 8, "price_per_m": 5}],
    "leftovers": [{"name": "D", "film": "dark", "width_mm": 500, "length_mm": 450}]})");
}

Run roll(std::vector<std::string> arguments) {
  arguments.insert(arguments.begin(), "roll");
  arguments.insert(arguments.end(), {"--moves", "2000"});
  return panecard_with(arguments);
}

film::FilmLayout layout_of(std::vector<std::string> arguments, const Folder& folder) {
  const std::string path = folder / "layout.json";
  arguments.insert(arguments.end(), {"--json", path});
  const Run run = roll(arguments);
  CAPTURE(run.err);
  REQUIRE(run.status == 0);
  const auto layout = records::read_layout(path);
  REQUIRE(layout.ok());
  return layout.value();
}

}  // namespace

TEST_CASE("leftovers are tried before a roll is opened, then the cheapest roll is taken") {
  const Folder folder;
  const std::string stock_file = stock(folder);
  const std::string small = rectangle(folder, "small", 400, 300),
                    big = rectangle(folder, "big", 500, 590),
                    wide = rectangle(folder, "wide", 900, 700);
  struct Row {
    std::vector<std::string> pieces;
    const char* film;
    double length_mm;  // exact: rectangles, 5 mm free at each end, 3 mm between
  };
  const std::vector<Row> rows = {{{small}, "D", 310}, {{big}, "B", 510}, {{wide}, "A", 710}};
  for (const Row& row : rows) {
    CAPTURE(row.film);
    std::vector<std::string> arguments = row.pieces;
    arguments.insert(arguments.end(), {"--stock", stock_file, "--film", "dark"});
    const film::FilmLayout layout = layout_of(arguments, folder);
    REQUIRE(layout.strips.size() == 1);
    const film::FilmStrip& strip = layout.strips.front();
    CHECK(strip.film.name == row.film);
    CHECK(std::abs(strip.length_mm - row.length_mm) < kKept_mm);
    CHECK(std::abs(strip.cost - strip.film.price_per_m * strip.length_mm / 1000) < 1e-6);
  }
}

TEST_CASE("a piece for bent glass lies only as its shrink asks, others the shorter way") {
  const Folder folder;
  struct Row {
    const char* along;
    double length_mm;
  };
  for (const Row& row : {Row{"any", 310}, Row{"level", 410}, Row{"upright", 310}}) {
    CAPTURE(row.along);
    const std::string piece = rectangle(folder, row.along, 400, 300, row.along);
    const film::FilmLayout layout = layout_of({piece, "--width", "500mm"}, folder);
    REQUIRE(layout.strips.size() == 1);
    CHECK(std::abs(layout.strips[0].length_mm - row.length_mm) < kKept_mm);
  }
}

TEST_CASE("copies and twins are all laid, apart by the gap and inside the film") {
  const Folder folder;
  const std::string one = rectangle(folder, "one", 200, 150),
                    two = rectangle(folder, "two", 90, 310);
  const film::FilmLayout layout =
      layout_of({one, two, "--copies", "2", "--copies", "two=3", "--twin", "one", "--width", "24in",
                 "--gap", "7mm", "--edge", "1/2in"},
                folder);
  REQUIRE(layout.strips.size() == 1);
  const film::FilmStrip& strip = layout.strips.front();
  REQUIRE(strip.copies.size() == 2 + 2 + 3);
  struct Box {
    PointMm low, high;
  };
  std::vector<Box> boxes;
  for (const film::LaidCopy& c : strip.copies) {
    Box box{c.arcs[0].at, c.arcs[0].at};
    for (const ArcVertex& v : c.arcs) {
      box.low = {std::min(box.low.x, v.at.x), std::min(box.low.y, v.at.y)};
      box.high = {std::max(box.high.x, v.at.x), std::max(box.high.y, v.at.y)};
    }
    CHECK(std::min(box.low.x, box.low.y) > 12.7 - 0.01);
    CHECK(box.high.x < strip.length_mm - 12.7 + 0.01);
    CHECK(box.high.y < 609.6 - 12.7 + 0.01);
    for (const Box& other : boxes) {
      const double apart = std::max({box.low.x - other.high.x, other.low.x - box.high.x,
                                     box.low.y - other.high.y, other.low.y - box.high.y});
      CHECK(apart > 7 - 0.01);
    }
    boxes.push_back(box);
  }
}

TEST_CASE("the same seed and moves give the same bytes") {
  const Folder folder;
  const std::string one = rectangle(folder, "one", 200, 150),
                    two = rectangle(folder, "two", 90, 310);
  std::string first;
  for (int k = 0; k < 2; ++k) {
    const Run run = roll({one, two, "--copies", "3", "--width", "500mm", "--json", "-"});
    REQUIRE(run.status == 0);
    if (k == 0) first = run.out;
    CHECK(run.out == first);
  }
}

TEST_CASE("a piece that fits only if its pane is no larger than measured says so") {
  const Folder folder;
  const std::string piece = rectangle(folder, "near", 700, 488, "level", 2.0);
  const Run run = roll({piece, "--width", "500mm"});
  CHECK(run.status == 0);
  CHECK(run.out.find("488.0 fits barely") != std::string::npos);
  CHECK(run.out.find("[fits_barely]") != std::string::npos);
  CHECK(roll({piece, "--width", "510mm"}).out.find("barely") == std::string::npos);
}

TEST_CASE("film is taken from the stock only when asked, and only what is there") {
  const Folder folder;
  const std::string stock_file = stock(folder), before = bytes_of(stock_file);
  const std::string wide = rectangle(folder, "wide", 900, 700);
  const std::vector<std::string> job = {wide, "--stock", stock_file, "--film", "dark"};
  CHECK(roll(job).status == 0);
  CHECK(bytes_of(stock_file) == before);
  std::vector<std::string> commit = job;
  commit.push_back("--commit");
  const double left_m[] = {2.29, 1.58, 0.87, 0.16};
  for (const double left : left_m) {
    CAPTURE(left);
    CHECK(roll(commit).status == 0);
    const auto now = records::read_stock(stock_file);
    REQUIRE(now.ok());
    CHECK(std::abs(now->films[0].length_mm - 1000 * left) < 4.5);  // whole mm, rounded down
    CHECK(now->films.size() == 4);
  }
  const std::string empty = bytes_of(stock_file);
  const Run none = roll(commit);
  check_fails(none, 1);
  CAPTURE(none.err);
  CHECK(none.err.find("A: the job takes 710 mm, 156 mm are left") != std::string::npos);
  CHECK(bytes_of(stock_file) == empty);
}

TEST_CASE(
    "what is taken is written to the stock itself, whatever links to it, and nothing is left") {
  namespace fs = std::filesystem;
  const Folder folder, elsewhere;
  const std::string real = stock(elsewhere), link = folder / "stock.json";
  fs::create_symlink(real, link);
  fs::permissions(real, fs::perms::owner_read | fs::perms::owner_write);
  // Left by a commit that was killed an hour ago; its process has ended.
  const pid_t child = ::fork();
  if (child == 0) ::_exit(0);
  ::waitpid(child, nullptr, 0);
  const std::string rest = elsewhere.write("stock.json.unfinished" + std::to_string(child), "half");
  fs::last_write_time(rest, fs::file_time_type::clock::now() - std::chrono::hours(1));
  const std::string wide = rectangle(folder, "wide", 900, 700);
  REQUIRE(roll({wide, "--stock", link, "--film", "dark", "--commit"}).status == 0);
  CHECK(fs::is_symlink(link));
  const auto now = records::read_stock(real);
  REQUIRE(now.ok());
  CHECK(std::abs(now->films[0].length_mm - 2290) < 4.5);
  CHECK(fs::status(real).permissions() == (fs::perms::owner_read | fs::perms::owner_write));
  CHECK(elsewhere.entries() == 1);
}

TEST_CASE("a commit that cannot be told of is done, and says so") {
  const Folder folder;
  const std::string stock_file = stock(folder);
  const std::string wide = rectangle(folder, "wide", 900, 700);
  const std::string said = folder / "said";
  const std::string line = "'" PANECARD_PROGRAM "' roll '" + wide + "' --stock '" + stock_file +
                           "' --film dark --commit --moves 2000 > /dev/full 2> '" + said + "'";
  CHECK(WEXITSTATUS(std::system(line.c_str())) == 2);
  CHECK(bytes_of(said).find("the files are written all the same") != std::string::npos);
  CHECK(records::read_stock(stock_file)->films[0].length_mm < 2400);
}

TEST_CASE("a job of two films is cut from both, leftovers first, and one commit takes all of it") {
  const Folder folder;
  const std::string stock_file = folder.write("stock.json", R"({"format": "panecard-stock",
    "version": 1, "currency": "EUR",
    "rolls": [{"name": "A", "film": "dark", "width_mm": 600, "left_m": 3, "price_per_m": 10},
              {"name": "B", "film": "light", "width_mm": 500, "left_m": 8, "price_per_m": 5}],
    "leftovers": [{"name": "C", "film": "dark", "width_mm": 300, "length_mm": 500}]})");
  // Beside the door 600 - 10 - 3 - 450 = 137 mm are free: the vent needs the leftover.
  const std::string door = rectangle(folder, "door", 700, 450, "level"),
                    vent = rectangle(folder, "vent", 400, 250, "level"),
                    roof = rectangle(folder, "roof", 480, 300, "level");
  const std::vector<std::string> job = {door,     vent,   roof,     "--stock",   stock_file,
                                        "--film", "dark", "--film", "roof=light"};
  std::vector<std::string> files = job;
  files.insert(files.end(), {"--svg", folder / "cut.svg", "--hpgl", folder / "cut.plt", "--drawing",
                             folder / "draw.pdf", "--commit"});
  const film::FilmLayout layout = layout_of(files, folder);
  struct Row {
    const char *film, *piece;
    double length_mm;
  };
  const Row rows[] = {{"C", "vent", 410}, {"A", "door", 710}, {"B", "roof", 490}};
  REQUIRE(layout.strips.size() == 3);
  for (std::size_t k = 0; k < 3; ++k) {
    CAPTURE(rows[k].film);
    const film::FilmStrip& strip = layout.strips[k];
    CHECK(strip.film.name == rows[k].film);
    REQUIRE(strip.copies.size() == 1);
    CHECK(layout.pieces[strip.copies[0].piece].name == rows[k].piece);
    CHECK(std::abs(strip.length_mm - rows[k].length_mm) < kKept_mm);
  }
  for (const char* name :
       {"cut.svg", "cut-2.svg", "cut-3.svg", "cut.plt", "cut-2.plt", "cut-3.plt"}) {
    CAPTURE(name);
    CHECK(!bytes_of(folder / name).empty());
  }
  const auto now = records::read_stock(stock_file);
  REQUIRE(now.ok());
  CHECK(std::abs(now->films[0].length_mm - 2289) < 2);
  CHECK(std::abs(now->films[1].length_mm - 7509) < 2);
  for (const layout::Film& film : now->films) CHECK(film.name != "C");  // 90 mm are not kept
  const Run told = roll(job);
  CAPTURE(told.out);
  CHECK(told.out.find("strip 1 of 2: A, dark") != std::string::npos);
  CHECK(told.out.find("all strips together:") != std::string::npos);
}

TEST_CASE("a piece's own film is taken unless the command line says another") {
  const Folder folder;
  film::FilmPiece piece = records::read_piece(rectangle(folder, "own", 300, 200)).value();
  piece.film = "light";
  const std::string own = folder.write("own.json", records::to_piece_json(piece)),
                    other = rectangle(folder, "other", 300, 200), stock_file = stock(folder);
  const auto apart = layout_of({own, other, "--stock", stock_file, "--film", "other=dark"}, folder);
  REQUIRE(apart.strips.size() == 2);
  CHECK(apart.strips[0].film.kind == "light");
  CHECK(apart.strips[1].film.kind == "dark");
  const auto same = layout_of({own, other, "--stock", stock_file, "--film", "dark"}, folder);
  REQUIRE(same.strips.size() == 1);
  CHECK(same.strips[0].film.kind == "dark");
  // On rolls of a bare width each film is a strip of its own, even one that has no name.
  CHECK(layout_of({own, other, "--width", "500mm"}, folder).strips.size() == 2);
}

TEST_CASE("a piece is laid turned over only if it says that it may be") {
  const Folder folder;
  // A right triangle and its mirror image make a rectangle; two alike do so by a half turn. Two of
  // a scalene one that may only turn by halves lie shorter when one is turned over.
  film::FilmPiece piece;
  piece.name = "tail";
  piece.boundary = "glass";
  piece.along = "level";
  piece.cut = {{0, 0}, {300, 0}, {300, 60}, {100, 60}, {100, 200}, {0, 200}};
  for (const PointMm p : piece.cut) piece.arcs.push_back({p, 0});
  piece.area_mm2 = 300 * 60 + 100 * 140;
  piece.copies = 2;
  for (const bool may : {false, true}) {
    CAPTURE(may);
    piece.may_mirror = may;
    const std::string file = folder.write("tail.json", records::to_piece_json(piece));
    std::size_t turned_over = 0;
    for (const char* seed : {"1", "2", "3", "4"}) {
      const auto layout = layout_of({file, "--width", "270mm", "--seed", seed}, folder);
      for (const film::LaidCopy& c : layout.strips.at(0).copies) turned_over += c.mirrored;
    }
    CHECK((turned_over > 0) == may);
  }
}

TEST_CASE("a file that cannot be written leaves the stock as it was") {
  const Folder folder;
  const std::string stock_file = stock(folder), before = bytes_of(stock_file);
  const std::string wide = rectangle(folder, "wide", 900, 700);
  check_fails(
      roll({wide, "--stock", stock_file, "--film", "dark", "--commit", "--svg", "/dev/full"}), 2);
  CHECK(bytes_of(stock_file) == before);
}

TEST_CASE("what does not fit ends with status 1, by how much, and the width that would do") {
  const Folder folder;
  const std::string piece = rectangle(folder, "pane", 1100, 1050),
                    huge = rectangle(folder, "huge", 2500, 2400);
  struct Row {
    std::vector<std::string> arguments;
    const char* says;
  };
  const std::vector<Row> rows = {
      {{piece, "--width", "40in"}, "44 mm more than roll has; film 1219 mm (48 in) wide would do"},
      {{huge, "--width", "40in"}, "no common width would do"},
      {{piece, "--stock", stock(folder), "--film", "dark"}, "44 mm more than A has"},
      {{piece, "--stock", stock(folder), "--film", "light", "--copies", "9"}, "C: the job takes"},
  };
  for (const Row& row : rows) {
    const Run run = roll(row.arguments);
    check_fails(run, 1);
    CAPTURE(run.err);
    CHECK(run.err.find(row.says) != std::string::npos);
  }
}

TEST_CASE("wrong use of roll ends with status 2 and one line, and writes nothing") {
  const Folder folder;
  const std::string piece = rectangle(folder, "pane", 300, 200), stock_file = stock(folder);
  const std::string broken = folder.write("broken.json", "{\n  \"format\": x}");
  const std::size_t before = folder.entries();
  struct Row {
    std::vector<std::string> arguments;
    const char* says;
  };
  const std::vector<Row> rows = {
      {{}, "roll needs pieces"},
      {{piece}, "give the film"},
      {{piece, "--width", "40in", "--stock", stock_file}, "give the film"},
      {{piece, "--width", "0"}, "--width"},
      {{piece, "--width", "-40in"}, "--width"},
      {{piece, "--width", "1e9"}, "--width"},
      {{piece, "--width", "wide"}, "--width"},
      {{piece, "--stock", stock_file}, "more than one film"},
      {{piece, "--stock", stock_file, "--film", "red"}, "'dark', 'light'"},
      {{piece, "--stock", stock_file, "--from", "Z"}, "A, B, C, D"},
      {{piece, "--stock", broken}, "line 2"},
      {{piece, "--stock", folder / "none.json"}, "none.json"},
      {{broken, "--width", "40in"}, "line 2"},
      {{piece, "--width", "40in", "--copies", "0"}, "--copies"},
      {{piece, "--width", "40in", "--copies", "none=2"}, "no piece is called 'none'"},
      {{piece, "--width", "40in", "--twin", "none"}, "no piece is called 'none'"},
      {{piece, "--width", "40in", "--film", "none=dark"}, "no piece is called 'none'"},
      {{piece, piece, piece, "--width", "40in", "--copies", "1000"}, "at most 1900"},
      {{piece, "--width", "40in", "--gap", "-1"}, "--gap"},
      {{piece, "--width", "40in", "--edge", "2000mm"}, "--edge"},
      {{piece, "--width", "40in", "--effort", "0"}, "--effort"},
      {{piece, "--width", "40in", "--commit"}, "--stock"},
      {{piece, "--width", "40in", "--tile", "a4"}, "--pdf"},
      {{piece, "--width", "40in", "--overcut", "1mm"}, "--hpgl"},
      {{piece, "--width", "40in", "--hpgl", folder / "p.plt", "--overcut", "2in"}, "--overcut"},
      {{piece, "--width", "40in", "--hpgl", folder / "p.plt", "--cutter-width", "150mm"}, "mm"},
      {{piece, "--width", "40in", "--drawing", folder / "d.png"}, ".svg or .pdf"},
      {{piece, "--width", "40in", "--json", piece}, "read from"},
      {{piece, "--width", "40in", "--svg", folder / "none/a.svg"}, "none"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.arguments);
    const Run run = roll(row.arguments);
    check_fails(run, 2);
    CAPTURE(run.err);
    CHECK(run.err.find(row.says) != std::string::npos);
    CHECK(folder.entries() == before);
  }
}

}  // namespace panecard::tests
