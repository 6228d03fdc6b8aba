// Runs the built program: what a script sees is the exit status, the files and standard error.
#include <doctest/doctest.h>
#include <sys/wait.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <iterator>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "app/program.h"
#include "support/folder.h"
#include "support/render.h"

using panecard::support::bytes_of;
using panecard::support::Folder;
using panecard::tests::check_fails;
using panecard::tests::panecard_with;
using panecard::tests::Run;
namespace support = panecard::support;

namespace {

/// Grey with a little noise.
std::string photo_without_card(const Folder& folder) {
  cv::Mat picture(480, 640, CV_8UC3);
  cv::RNG random(3);
  random.fill(picture, cv::RNG::NORMAL, 120, 4);
  cv::imwrite(folder / "grey.png", picture);
  return folder / "grey.png";
}

/// As easy as photos get: whether hard ones can be measured is for other tests to say.
support::Scene scene_with_sheet() {
  support::Wish wish;
  wish.width_px = 2016;
  wish.family = support::Family::slider;
  wish.cards = support::CardKind::sheet_a4;
  wish.max_tilt_deg = 10;
  support::Scene scene = support::random_scene(2, wish);
  scene.body_patches.clear();
  scene.cabin_patches.clear();
  scene.reflections.clear();
  scene.cabin = {0.4F, 0.4F, 0.4F};
  scene.seal = {0.02F, 0.02F, 0.02F};
  return scene;
}

/// A good photo, rendered once.
const cv::Mat& good_picture() {
  static const cv::Mat picture = support::render(scene_with_sheet()).bgr;
  return picture;
}

std::string good_photo(const Folder& folder) {
  cv::imwrite(folder / "pane.jpg", good_picture(), {cv::IMWRITE_JPEG_QUALITY, 95});
  return folder / "pane.jpg";
}

/// The same photo, cut through the middle of its sheet.
std::string photo_with_cut_card(const Folder& folder) {
  const support::Scene scene = scene_with_sheet();
  const auto middle = support::project(scene.camera, scene.cards.at(0).centre);
  const int left = static_cast<int>(middle.x);
  const cv::Mat& whole = good_picture();
  REQUIRE(left > 0);
  REQUIRE(left < whole.cols);
  cv::imwrite(folder / "cut.png", whole.colRange(left, whole.cols));
  return folder / "cut.png";
}

/// Moved by 40 px during the exposure.
std::string shaken_photo(const Folder& folder) {
  cv::Mat kernel = cv::Mat::zeros(41, 41, CV_32F), shaken;
  kernel.row(20).setTo(1.0 / 41);
  cv::filter2D(good_picture(), shaken, -1, kernel);
  cv::imwrite(folder / "shaken.png", shaken);
  return folder / "shaken.png";
}

/// The sheet on painted metal: nothing around it but a smooth colour.
std::string card_on_the_body(const Folder& folder) {
  support::Scene scene = scene_with_sheet();
  cv::Mat picture = good_picture().clone();
  cv::Mat body(picture.size(), CV_8UC3, cv::Scalar(90, 60, 40)),
      keep(picture.size(), CV_8U, cv::Scalar(0));
  std::vector<cv::Point> page;
  const auto& card = scene.cards.at(0);
  for (const auto& [x, y] : {std::pair{-0.55, -0.55}, {0.55, -0.55}, {0.55, 0.55}, {-0.55, 0.55}}) {
    const auto px =
        support::project(scene.camera, card.centre + panecard::PointMm{x * 210, y * 297});
    page.emplace_back(static_cast<int>(px.x), static_cast<int>(px.y));
  }
  cv::fillConvexPoly(keep, page, cv::Scalar(255));
  picture.copyTo(body, keep);
  cv::imwrite(folder / "on-body.png", body);
  return folder / "on-body.png";
}

}  // namespace

TEST_CASE("wrong usage ends with status 2 and one line, and writes nothing") {
  const Folder folder;
  const std::string photo = photo_without_card(folder);
  const std::string text = folder.write("wrong.json", "{\"format\": 1}");
  const std::size_t before = folder.entries();
  const std::vector<std::vector<std::string>> rows = {
      {},
      {"mesure"},
      {"measure"},
      {"measure", photo, "--boundary", "rubber"},
      {"measure", photo, "--near", "here"},
      {"measure", photo, "--near", "10"},
      {"measure", photo, "--near", "10,20,30"},
      {"measure", photo, "--near", "10,nan"},
      {"measure", photo, "--near", ""},
      {"measure", photo, "--near", "10,20 700,20"},  // outside the photo
      {"measure", photo, "--plain", "napkin"},
      {"measure", photo, "--printed-bar", "94"},
      {"measure", photo, "--printed-bar", "nan"},
      {"measure", photo, "--plain", "0x0"},
      {"measure", photo, "--lens", folder / "missing.json"},
      {"measure", photo, "--lens", text},
      {"measure", photo, "--overlay", folder / "a.gif"},
      {"measure", photo, "--drawing", folder / "a.dwg"},
      {"measure", photo, "--json", folder / "a", "--svg", folder / "a"},
      {"measure", photo, "--svg", photo},  // would overwrite the photo
      {"measure", photo, "--colour", "red"},
      {"measure", photo, "and-another.jpg"},
      {"card", "--out", folder / "page.png"},
      {"card", "--page", "poster", "--out", folder / "page.pdf"},
      {"card", "--first", "40", "--out", folder / "page.pdf"},
      {"card", "--first", "-1", "--out", folder / "page.pdf"},
      {"card", "--printed-bar", "10", "--out", folder / "page.pdf"},
      {"card", "--printed-bar", "nan", "--out", folder / "page.pdf"},
      {"card"},
      {"check"},
      {"check", folder / "missing.json"},
      {"check", text},  // JSON, but no result file
      {"check", text, "--with", text},
      {"check", text, "--size", "486"},
      {"check", text, "--size", "486x"},
      {"check", text, "--size", "0x412"},
      {"check", text, "--size", "486x412ft"},
      {"check", text, "--size", "486x412", "--tol", "-1"},
      {"check", text, "--size", "486x412", "--tol", "nan"},
      {"check", text, "--oversize", "wide"},
      {"check", text, "--mirrored"},
      {"check", text, "--drawing", folder / "a.gif"},
      {"check", text, "--json", text},  // would overwrite the outline
      {"lens", "--out", folder / "lens.json"},
      {"lens", photo}};
  for (const auto& row : rows) {
    CAPTURE(row);
    check_fails(panecard_with(row), 2);
    CHECK(folder.entries() == before);
  }
}

TEST_CASE("unreadable photos end with status 2 and one line, and write nothing") {
  const Folder folder;
  const std::string whole = bytes_of(photo_without_card(folder));
  const std::vector<std::string> photos = {
      folder.write("zero.jpg", ""),
      folder.write("text.jpg", "a shopping list\n"),
      folder.write("half.png", std::string_view(whole).substr(0, whole.size() / 2)),
      folder.path().string(),
      folder / "missing.jpg",
      folder / "new\nline.jpg",
      "/dev/zero"};
  const std::size_t before = folder.entries();
  for (const std::string& photo : photos) {
    CAPTURE(photo);
    check_fails(panecard_with({"measure", photo, "--json", folder / "o.json"}), 2);
    check_fails(panecard_with({"lens", photo, "--out", folder / "l.json"}), 2);
    CHECK(folder.entries() == before);
  }
}

TEST_CASE("an output that cannot be written ends with status 2 and one line") {
  const Folder folder;
  const std::string photo = good_photo(folder);
  const std::string file = folder.write("file", "");
  const std::size_t before = folder.entries();
  for (const std::string& path : {folder / "missing/o.svg", file + "/o.svg", folder.path().string(),
                                  std::string("/proc/o.svg"), std::string("/dev/full")}) {
    CAPTURE(path);
    check_fails(panecard_with({"measure", photo, "--json", folder / "o.json", "--svg", path}), 2);
    check_fails(panecard_with({"card", "--out", path}), 2);
    CHECK(folder.entries() == before);
  }
  check_fails(panecard_with({"card", "--out", folder / "missing/page.pdf"}), 2);
  CHECK(folder.entries() == before);
}

TEST_CASE("photos that cannot be measured end with status 3 and one line, and write nothing") {
  const Folder folder;
  const std::string grey = photo_without_card(folder), cut = photo_with_cut_card(folder);
  const std::string shaken = shaken_photo(folder), body = card_on_the_body(folder);
  const std::size_t before = folder.entries();
  for (const std::string& photo : {grey, cut, shaken, body}) {
    CAPTURE(photo);
    const Run run =
        panecard_with({"measure", photo, "--json", folder / "o.json", "--svg", folder / "o.svg"});
    check_fails(run, 3);
    CAPTURE(run.err);
    CHECK(run.err.find(photo) != std::string::npos);
    CHECK(folder.entries() == before);
  }
  check_fails(panecard_with({"lens", grey, "--out", folder / "l.json"}), 3);
  CHECK(folder.entries() == before);
}

TEST_CASE("a good photo ends with status 0, a table, every file asked for and silence") {
  const Folder folder;
  const std::string photo = good_photo(folder);
  const Run run =
      panecard_with({"measure", photo, "--json", folder / "o.json", "--svg", folder / "o.svg",
                     "--dxf", folder / "o.dxf", "--overlay", folder / "o.png", "--drawing",
                     folder / "o.pdf", "--inches", "--budget"});
  CAPTURE(run.err);
  CHECK(run.status == 0);
  CHECK(run.err.empty());
  CHECK(run.out.find("pane.jpg") != std::string::npos);
  for (const char* words : {"Photo: blur", "The sides are good to", "Where each", "print scale",
                            "What would help most"}) {
    CAPTURE(words);
    CHECK(run.out.find(words) != std::string::npos);
  }
  CHECK(folder.entries() == 6);
  CHECK(bytes_of(folder / "o.json").find("\"panecard-outline\"") != std::string::npos);
  CHECK(bytes_of(folder / "o.svg").find("<svg") != std::string::npos);
  CHECK(bytes_of(folder / "o.dxf").find("OUTLINE") != std::string::npos);
  CHECK(bytes_of(folder / "o.pdf").starts_with("%PDF"));
  const cv::Mat overlay = cv::imread(folder / "o.png");
  CHECK(overlay.cols == 2016);

  const Run json = panecard_with({"measure", photo, "--json", "-", "--overlay", folder / "o.jpg"});
  CHECK(json.status == 0);
  CHECK(json.err.empty());
  CHECK(json.out == bytes_of(folder / "o.json"));
  // What people read is in their units, the result file in mm.
  CHECK(run.out.find(" in, the outline to ") != std::string::npos);
  CHECK(run.out.find(" mm, the outline to ") == std::string::npos);
  CHECK(json.out.find(" mm, the outline to ") != std::string::npos);
  const cv::Mat jpeg = cv::imread(folder / "o.jpg");  // the same picture, its labels in mm
  REQUIRE(jpeg.size() == overlay.size());
  CHECK(cv::norm(jpeg, overlay, cv::NORM_L1) / static_cast<double>(3 * jpeg.total()) < 3);

  // A card printed at 99.4 % makes everything that much smaller, whatever else is uncertain.
  const auto long_side = [](const std::string& json_text) {
    return std::stod(json_text.substr(json_text.find("\"long_mm\":") + 10));
  };
  const Run smaller = panecard_with({"measure", photo, "--printed-bar", "99.4", "--json", "-"});
  CHECK(smaller.status == 0);
  CHECK(std::abs(long_side(smaller.out) / long_side(json.out) - 0.994) < 2e-4);

  // The result file knows its photo, whatever that is called by now.
  std::filesystem::rename(photo, folder / "renamed.jpg");
  const Run job = panecard_with(
      {"job", folder / "o.json", "--photo", folder / "renamed.jpg", "--html", folder / "job.html"});
  CHECK(job.status == 0);
  CHECK(bytes_of(folder / "job.html").find("<img ") != std::string::npos);
}

TEST_CASE("check answers by its exit status, from a photo and from its result file alike") {
  const Folder folder;
  const std::string photo = good_photo(folder), pane = folder / "pane.json";
  REQUIRE(panecard_with({"measure", photo, "--json", pane}).status == 0);
  const panecard::OrientedBox box =
      panecard::min_area_box(support::truth_of(scene_with_sheet()).outline_mm);
  const auto size = [&](double more_mm, double per_mm, const char* unit) {
    return std::to_string((box.long_mm + more_mm) * per_mm) + "x" +
           std::to_string(box.short_mm * per_mm) + unit;
  };
  struct Row {
    std::vector<std::string> arguments;
    int status;
    std::string says;  // on standard error
  };
  const std::vector<Row> rows = {
      {{pane}, 0, ""},
      {{photo}, 0, ""},
      {{pane, "--size", size(0, 1, ""), "--tol", "5"}, 0, ""},
      {{pane, "--size", size(0, 1 / 25.4, "in"), "--tol", "0.2in", "--inches"}, 0, ""},
      {{pane, "--size", size(12, 1, "mm"), "--tol", "2"}, 1, "does not fit: width"},
      {{pane, "--size", size(0, 1, ""), "--tol", "0.01"}, 3, "cannot tell: width"},
      {{pane, "--with", pane, "--tol", "5"}, 0, ""},
      {{pane, "--with", photo, "--mirrored", "--tol", "5"}, 0, ""},  // a rectangle is its mirror
      {{pane, "--with", pane, "--tol", "0.001"}, 3, "cannot tell"},
  };
  for (const Row& row : rows) {
    CAPTURE(row.arguments);
    std::vector<std::string> arguments = {"check"};
    arguments.insert(arguments.end(), row.arguments.begin(), row.arguments.end());
    const Run run = panecard_with(arguments);
    CAPTURE(run.err);
    CHECK(run.status == row.status);
    CHECK_FALSE(run.out.empty());
    CHECK(run.err.empty() == row.says.empty());
    CHECK(run.err.find(row.says) != std::string::npos);
    CHECK(std::count(run.err.begin(), run.err.end(), '\n') == (row.says.empty() ? 0 : 1));
  }

  // The photo and its result file: the file is rounded to 0.1 um and otherwise the same, so that a
  // printed figure may differ by one in its last place.
  const auto words = [](const std::string& out) {
    std::istringstream lines(
        out.substr(out.find("width at the bottom"), out.find("Blank") - out.find("width at")));
    return std::vector<std::string>(std::istream_iterator<std::string>(lines), {});
  };
  const std::vector<std::string> from_file = words(panecard_with({"check", pane}).out),
                                 from_photo = words(panecard_with({"check", photo}).out);
  REQUIRE(from_file.size() == from_photo.size());
  CHECK(from_file.size() > 60);
  for (std::size_t i = 0; i < from_file.size(); ++i) {
    if (from_file[i] == from_photo[i]) continue;
    CAPTURE(from_file[i]);
    CAPTURE(from_photo[i]);
    CHECK(std::abs(std::atof(from_file[i].c_str()) - std::atof(from_photo[i].c_str())) <= 0.0101);
    CHECK(std::atof(from_file[i].c_str()) != 0);
  }
}

TEST_CASE("check writes its drawing and its result, also when the answer is no") {
  const Folder folder;
  const std::string pane = folder / "pane.json";
  REQUIRE(panecard_with({"measure", good_photo(folder), "--json", pane}).status == 0);
  for (const std::vector<std::string>& question :
       {std::vector<std::string>{"--size", "300x200"}, {"--with", pane}}) {
    for (const char* drawing : {"check.svg", "check.pdf"}) {
      std::vector<std::string> arguments = {
          "check", pane, "--json", folder / "check.json", "--drawing", folder / drawing};
      arguments.insert(arguments.end(), question.begin(), question.end());
      const int status = panecard_with(arguments).status;
      CHECK(status == (question[0] == "--size" ? 1 : 0));
    }
    CHECK(bytes_of(folder / "check.json").find("\"panecard-c") != std::string::npos);
    CHECK(bytes_of(folder / "check.svg").find("<svg") != std::string::npos);
    CHECK(bytes_of(folder / "check.pdf").starts_with("%PDF"));
  }
  check_fails(panecard_with({"check", photo_without_card(folder)}), 3);
}

TEST_CASE("card writes its page as PDF and as SVG") {
  const Folder folder;
  for (const char* name : {"page.pdf", "page.svg"}) {
    const Run run = panecard_with({"card", "--page", "cards", "--first", "8", "--paper", "letter",
                                   "--printed-bar", "99.4", "--out", folder / name});
    CAPTURE(run.err);
    CHECK(run.status == 0);
    CHECK(run.err.empty());
  }
  CHECK(bytes_of(folder / "page.pdf").starts_with("%PDF"));
  CHECK(bytes_of(folder / "page.svg").find("<svg") != std::string::npos);
  CHECK(folder.entries() == 2);
}

TEST_CASE("a program without the one beside it measures, and says in one line what is missing") {
  const Folder folder;
  const std::string alone = folder / "panecard";
  std::filesystem::copy_file(PANECARD_PROGRAM, alone);
  const auto run = [&](const std::string& words) {
    const std::string errors = folder / "errors";
    const int status =
        std::system(("'" + alone + "' " + words + " >/dev/null 2>'" + errors + "'").c_str());
    return Run{WEXITSTATUS(status), "", bytes_of(errors)};
  };
  CHECK(run("measure --help").status == 0);
  const Run roll = run("roll --help");
  check_fails(roll, 2);
  CHECK(roll.err.find("panecard-whole") != std::string::npos);
}

TEST_CASE("help and version go to standard output with status 0") {
  for (const std::vector<std::string>& row :
       {std::vector<std::string>{"--help"}, {"--version"}, {"measure", "--help"}}) {
    const Run run = panecard_with(row);
    CHECK(run.status == 0);
    CHECK(run.err.empty());
    CHECK_FALSE(run.out.empty());
  }
}
