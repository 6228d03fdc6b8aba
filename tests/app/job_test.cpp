// A vehicle's result files, pieces and photos to one job sheet: exit status, files, whose photo it
// is.
#if defined(__GNUC__) && !defined(__clang__)
// GCC 12 finds members of std::regex uninitialised when the sanitizers are on.
#pragma GCC diagnostic ignored "-Wmaybe-uninitialized"
#endif

#include <doctest/doctest.h>

#include <opencv2/imgcodecs.hpp>
#include <regex>
#include <string>
#include <vector>

#include "app/program.h"
#include "drawings/drawings.h"
#include "model/model.h"
#include "model/sample.h"
#include "records/records.h"
#include "support/folder.h"

namespace panecard::tests {

using support::bytes_of;
using support::Folder;

namespace {

std::string jpeg(int grey, int width_px = 1000, int height_px = 750) {
  std::vector<unsigned char> bytes;
  cv::imencode(".jpg", cv::Mat(height_px, width_px, CV_8UC3, cv::Scalar::all(grey)), bytes);
  return {bytes.begin(), bytes.end()};
}

/// A pane whose photo is `photo`, called `photo_name`.
std::string pane(const Folder& folder, const std::string& name, const std::string& photo_name,
                 const std::string& photo) {
  model::Measurement m = sample::slider();
  for (PointPx& p : m.outline.points_px) p = {p.x / 4 - 100, p.y / 4};
  m.cards.clear();
  m.photo_name = photo_name;
  m.photo_width_px = 1000;
  m.photo_height_px = 750;
  if (!photo.empty()) m.photo_sha256 = records::hex(records::sha256(photo));
  return folder.write(name, records::to_json(m));
}

std::size_t photos_in(const std::string& html) {
  std::size_t count = 0;
  for (std::size_t at = 0; (at = html.find("<img ", at)) != std::string::npos; ++at) ++count;
  return count;
}

}  // namespace

TEST_CASE("a job sheet is written for paper and browser from outlines, pieces and notes") {
  const Folder folder, files;
  folder.write("slider.jpg", jpeg(90));
  const std::string slider = pane(folder, "slider.json", "slider.jpg", jpeg(90));
  REQUIRE(panecard_with({"piece", slider, "--name", "slider film", "--allow", "all=3mm", "--json",
                         folder / "film.json"})
              .status == 0);
  REQUIRE(panecard_with({"roll", folder / "film.json", "--twin", "all", "--width", "40in",
                         "--moves", "200", "--json", folder / "layout.json"})
              .status == 0);
  const std::vector<std::string> arguments = {"job",
                                              slider,
                                              "--layout",
                                              folder / "layout.json",
                                              folder / "film.json",
                                              "--vehicle",
                                              "Van <invented>",
                                              "--note",
                                              "two screws",
                                              "--note",
                                              "no. 2",
                                              "--glass-transmission",
                                              "77%",
                                              "--film-transmission",
                                              "35%+-2%",
                                              "--glass-reflectance",
                                              "7%",
                                              "--film-reflectance",
                                              "9%/8%",
                                              "--date",
                                              "2026-02-03",
                                              "--paper",
                                              "letter",
                                              "--inches",
                                              "--pdf",
                                              files / "job.pdf",
                                              "--html",
                                              files / "job.html"};
  const Run run = panecard_with(arguments);
  CAPTURE(run.err);
  CHECK(run.status == 0);
  CHECK(run.err.empty());
  CHECK(files.entries() == 2);
  const std::string html = bytes_of(files / "job.html"), pdf = bytes_of(files / "job.pdf");
  CHECK(pdf.starts_with("%PDF"));
  CHECK(photos_in(html) == 1);
  for (const char* words :
       {"Van &lt;invented&gt;", "two screws", "no. 2", "2026-02-03", "slider film",
        "film glued to the glass", "EN 410", "slider film, twin"}) {
    CAPTURE(words);
    CHECK(html.find(words) != std::string::npos);
  }
  REQUIRE(panecard_with(arguments).status == 0);
  CHECK(bytes_of(files / "job.html") == html);
  CHECK(bytes_of(files / "job.pdf") == pdf);
}

TEST_CASE("without --date the sheet bears today's") {
  const Folder folder;
  const std::string slider = pane(folder, "slider.json", "slider.jpg", jpeg(90));
  REQUIRE(panecard_with({"job", slider, "--html", folder / "job.html"}).status == 0);
  CHECK(std::regex_search(bytes_of(folder / "job.html"),
                          std::regex("<span>20[0-9]{2}-[01][0-9]-[0-3][0-9]</span>")));
}

TEST_CASE("a pane gets its own photo or none, and the sheet says why") {
  const Folder folder, elsewhere;
  const std::string mine = jpeg(90), other = jpeg(200);
  elsewhere.write("renamed.jpg", mine);
  elsewhere.write("a.jpg", other);
  folder.write("beside.jpg", mine);
  folder.write("broken.jpg", "\xff\xd8\xff\xe0 no photo");
  folder.write("small.jpg", jpeg(90, 500, 375));
  struct Row {
    const char* what;
    std::string photo_name, measured;
    std::vector<std::string> options;
    std::size_t photos;
    std::string says;
  };
  const std::vector<Row> rows = {
      {"beside the result file", "beside.jpg", mine, {}, 1, ""},
      {"named, by its content", "a.jpg", mine, {"--photo", elsewhere / "renamed.jpg"}, 1, ""},
      {"in the folder named", "a.jpg", other, {"--photo", elsewhere.path().string()}, 1, ""},
      {"first of several", "beside.jpg, b.jpg", mine, {}, 1, ""},
      {"nowhere", "gone.jpg", mine, {}, 0, "'gone.jpg' was not found"},
      {"another one of that name",
       "a.jpg",
       mine,
       {"--photo", elsewhere.path().string()},
       0,
       "is called like it but is another one"},
      {"a path in the name leads nowhere",
       "../" + elsewhere.path().filename().string() + "/renamed.jpg",
       mine,
       {},
       0,
       "'renamed.jpg' was not found"},
      {"no name", "", mine, {}, 0, "names no photo"},
      {"not known by content, another size", "small.jpg", "", {}, 0, "500 x 375 px"},
      {"not known by content, broken", "broken.jpg", "", {}, 0, "no photo: "},
      {"not known by content", "beside.jpg", "", {}, 1, ""},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    std::vector<std::string> arguments = {"job",
                                          pane(folder, "pane.json", row.photo_name, row.measured),
                                          "--html", folder / "job.html"};
    arguments.insert(arguments.end(), row.options.begin(), row.options.end());
    const Run run = panecard_with(arguments);
    CAPTURE(run.err);
    CHECK(run.status == 0);
    CHECK(photos_in(bytes_of(folder / "job.html")) == row.photos);
    CHECK(run.out.find(row.says) != std::string::npos);
    CHECK((run.out.find('!') != std::string::npos) == (row.photos == 0));
  }
}

TEST_CASE("two panes that name one photo without saying whose it is get none") {
  const Folder folder;
  folder.write("a.jpg", jpeg(90));
  const Run run =
      panecard_with({"job", pane(folder, "p.json", "a.jpg", ""),
                     pane(folder, "q.json", "a.jpg", ""), "--html", folder / "job.html"});
  CHECK(run.status == 0);
  CHECK(photos_in(bytes_of(folder / "job.html")) == 0);
  CHECK(run.out.find("measure them again") != std::string::npos);
}

TEST_CASE("wrong use of job ends with status 2 and one line, and writes nothing") {
  const Folder folder, files;
  const std::string slider = pane(folder, "slider.json", "slider.jpg", jpeg(90));
  const std::string photo = folder.write("other.jpg", jpeg(30));
  const std::string html = files / "job.html", pdf = files / "job.pdf";
  struct Row {
    std::vector<std::string> arguments;
    std::string says;
  };
  const auto light = [&](const std::string& glass, const std::string& film,
                         const std::string& option = "", const std::string& value = "") {
    std::vector<std::string> out = {slider, "--html", html};
    if (!glass.empty()) out.insert(out.end(), {"--glass-transmission", glass});
    if (!film.empty()) out.insert(out.end(), {"--film-transmission", film});
    if (!option.empty()) out.insert(out.end(), {option, value});
    return out;
  };
  const std::vector<Row> rows = {
      {{"--html", html}, "result files"},
      {{slider}, "--pdf or --html"},
      {{folder / "gone.json", "--html", html}, "gone.json"},
      {{folder.write("list.json", "[1]"), "--html", html}, "format"},
      {{folder.write("half.json", bytes_of(slider).substr(0, 900)), "--html", html}, "JSON"},
      {{folder.write("odd.json", R"({"format": "panecard-allowances", "version": 1})"), "--html",
        html},
       "panecard-allowances"},
      {{folder.write("bare.json", R"({"format": "panecard-outline", "version": 1})"), "--html",
        html},
       "boundary"},
      {{slider, "--html", html, "--pdf", folder / "no/job.pdf"}, "no folder"},
      {{slider, "--html", html, "--pdf", html}, "two results"},
      {{slider, "--html", slider}, "read from"},
      {{slider, "--html", html, "--photo", photo}, "none of the panes"},
      {{slider, "--html", html, "--photo", folder / "gone.jpg"}, "gone.jpg"},
      {{slider, "--html", html, "--layout", slider}, "panecard-layout"},
      {{slider, "--html", html, "--layout", folder / "gone.json"}, "gone.json"},
      {{slider, "--html", html, "--paper", "a5"}, "--paper"},
      {light("77%", ""), "both"},
      {light("", "35%"), "both"},
      {light("77", "35%"), "--glass-transmission"},
      {light("77%", "135%"), "--film-transmission"},
      {light("77%", "35%", "--film-reflectance", "8%/"), "--film-reflectance"},
      {light("77%", "35%", "--glass-reflectance", "40%"), "more light"},
      {light("", "", "--glass-reflectance", "8%"), "--glass-transmission"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.says);
    std::vector<std::string> arguments = {"job"};
    arguments.insert(arguments.end(), row.arguments.begin(), row.arguments.end());
    const Run run = panecard_with(arguments);
    check_fails(run, 2);
    CHECK(run.err.find(row.says) != std::string::npos);
    CHECK(files.entries() == 0);
  }
}

TEST_CASE("a full disk leaves no half-written sheet") {
  const Folder folder, files;
  const std::string slider = pane(folder, "slider.json", "slider.jpg", jpeg(90));
  const Run run = panecard_with({"job", slider, "--pdf", files / "job.pdf", "--html", "/dev/full"});
  check_fails(run, 2);
  CHECK(files.entries() == 0);
}

}  // namespace panecard::tests
