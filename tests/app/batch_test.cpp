// A folder of photos into a library, as a script sees it.
#include <doctest/doctest.h>
#include <sys/stat.h>

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "app/easy_photo.h"
#include "app/program.h"
#include "support/folder.h"

using panecard::support::bytes_of;
using panecard::support::Folder;
using panecard::tests::check_fails;
using panecard::tests::easy_photo;
using panecard::tests::grey_photo;
using panecard::tests::panecard_with;
using panecard::tests::Run;
namespace fs = std::filesystem;
using Json = nlohmann::json;

namespace {

constexpr const char* kAt = "2026-05-01T12:00:00Z";

struct Shop {
  Folder folder;
  std::string photos = folder / "photos", file = folder / "shop.panes";

  Shop() { fs::create_directory(photos); }
  void put(const std::string& name, const std::string& bytes) const {
    fs::create_directories((fs::path(photos) / name).parent_path());
    std::ofstream(fs::path(photos) / name, std::ios::binary) << bytes;
  }
  std::vector<std::string> words(std::vector<std::string> more) const {
    std::vector<std::string> all = {"batch", photos, "--library", file,
                                    "--at",  kAt,    "--by",      "test"};
    all.insert(all.end(), more.begin(), more.end());
    return all;
  }
  Run batch(std::vector<std::string> more = {}) const {
    return panecard_with(words(std::move(more)));
  }
  /// Everything in the library, as its export has it.
  std::map<std::string, std::string> content(const std::string& name) const {
    const std::string out = folder / name;
    CHECK(panecard_with({"library", "export", file, out}).status == 0);
    std::map<std::string, std::string> files;
    for (const auto& entry : fs::recursive_directory_iterator(out)) {
      if (entry.is_regular_file()) {
        files[fs::relative(entry.path(), out).string()] = bytes_of(entry.path().string());
      }
    }
    return files;
  }
  void check_clean() const {
    const Run run = panecard_with({"library", "check", file});
    CAPTURE(run.out);
    CHECK(run.status == 0);
  }
};

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

std::size_t lines(const std::string& text) {
  return static_cast<std::size_t>(std::count(text.begin(), text.end(), '\n'));
}

}  // namespace

TEST_CASE("batch: names of files and folders say which pane, and a second run does nothing twice") {
  const Shop shop;
  shop.put("Norden Kuma 2019_front door left.jpg", easy_photo(2));
  shop.put("Norden Kuma Sport 2017-2022/quarter right 2.jpg", easy_photo(2, 1));
  shop.put("Sjo/Slider/IMG_0001.JPG", easy_photo(2, 2));
  shop.put("IMG_0002.jpg", easy_photo(2, 3));
  shop.put("Norden Kuma 2019_rear door left.png", grey_photo());
  shop.put("Norden Kuma 2019_vent left.jpg", easy_photo(2));
  shop.put("notes.txt", "no photo");
  const Run first = shop.batch({"--json", shop.folder / "first.json"});
  CAPTURE(first.out);
  CAPTURE(first.err);
  CHECK(first.status == 3);
  CHECK(has(first.out, "6 photos of 6 panes: 3 measured, 1 duplicate skipped, 2 not measured"));
  CHECK(has(first.err, "IMG_0002.jpg: its name does not say which vehicle and pane"));
  CHECK(has(first.err, "rear door left.png: no coded sheet"));
  CHECK(has(first.err, "vent left.jpg: the same photo as 'Norden Kuma 2019_front door left.jpg'"));
  CHECK(has(first.err, "2 of 6 photos could not be measured"));
  CHECK(lines(first.err) == 4);
  CHECK(has(first.out, "photograph again:\n  IMG_0002.jpg: "));
  CHECK(has(first.out, "  Norden Kuma 2019, rear door left: no coded sheet"));
  const Run found = panecard_with({"library", "find", shop.file});
  CHECK(has(found.out, "Norden Kuma 2019, front door left"));
  CHECK(has(found.out, "Norden Kuma Sport 2017-2022, quarter right"));
  CHECK(has(found.out, "Sjo, Slider"));
  const auto before = shop.content("before");
  const Run again = shop.batch({"--json", shop.folder / "again.json"});
  CHECK(has(again.out, "0 measured, 3 in the library already, 1 duplicate skipped"));
  CHECK(shop.content("after") == before);
  const Json json = Json::parse(bytes_of(shop.folder / "again.json"));
  CHECK(json["counts"]["there_already"] == 3);
  CHECK(has(again.err, "rear door left.png: no coded sheet"));
  CHECK(has(again.err, "(as before; not tried again)"));
  CHECK(has(again.err, "--again tries them anew"));
  CHECK(json["panes"].size() == 6);
}

TEST_CASE("batch: what failed is not tried again until something has changed") {
  const Shop shop;
  shop.put("Norden 1_rear door left.png", grey_photo());
  const auto tried = [&](const std::vector<std::string>& more) {
    const Run run = shop.batch(more);
    CHECK(run.status == 3);
    CHECK(has(run.err, "rear door left.png: no coded sheet"));
    return !has(run.err, "as before");
  };
  CHECK(tried({}));
  CHECK(!tried({}));
  CHECK(tried({"--again"}));
  CHECK(tried({"--plain", "a4"}));  // other options, which the library knows from now on
  CHECK(!tried({"--plain", "a4"}));
  shop.put("Norden 1_rear door left 2.png", grey_photo() + "x");  // together they might do
  CHECK(tried({"--plain", "a4"}));
  CHECK(!tried({"--plain", "a4"}));
  shop.check_clean();
}

TEST_CASE("batch: the same photos give the same library whatever the number of processes") {
  const Shop one, two;
  for (const Shop* shop : {&one, &two}) {
    for (unsigned i = 0; i < 5; ++i) {
      // Of unlike sizes, so that they do not end in the order in which they start.
      shop->put("Norden " + std::to_string(i) + "_slider.jpg",
                i % 2 == 0 ? easy_photo(2, i) : grey_photo() + std::string(i, 'x'));
    }
  }
  CHECK(one.batch({"--jobs", "1"}).status == 3);
  CHECK(two.batch({"--jobs", "4"}).status == 3);
  const auto content = one.content("out");
  CHECK(content.size() > 5);
  CHECK(content == two.content("out"));
}

TEST_CASE("batch: photos of one pane are measured together, and one by one when that fails") {
  const Shop shop;
  shop.put("Norden Kuma/slider left 1.jpg", easy_photo(2));
  shop.put("Norden Kuma/slider left 2.jpg", easy_photo(2, 1));
  shop.put("Norden Kuma/quarter left 1.jpg", easy_photo(2, 2));
  shop.put("Norden Kuma/quarter left 2.png", grey_photo());
  const Run run = shop.batch({"--json", shop.folder / "out.json"});
  CAPTURE(run.err);
  CHECK(run.status == 3);
  CHECK(has(run.err, "Norden Kuma, quarter left: its photos were measured one by one: "));
  CHECK(has(run.err, "quarter left 2.png: no coded sheet"));
  CHECK(!has(run.out, "photograph again"));
  const Json json = Json::parse(bytes_of(shop.folder / "out.json"));
  REQUIRE(json["panes"].size() == 2);
  CHECK(json["panes"][0]["together"] == false);
  CHECK(json["panes"][0].contains("not_together"));
  CHECK(json["panes"][1]["together"] == true);
  CHECK(json["panes"][1]["photos"][0]["measurement"] ==
        json["panes"][1]["photos"][1]["measurement"]);
  const std::string result = shop.folder / "pane.json";
  CHECK(panecard_with({"library", "show", shop.file, "2", "--result", result}).status == 0);
  CHECK(Json::parse(bytes_of(result))["photo"]["name"] == "slider left 1.jpg, slider left 2.jpg");
}

TEST_CASE("batch: a table names vehicle, pane and how to measure, in any spelling of CSV") {
  const Shop shop;
  shop.put("a.jpg", easy_photo(2));
  shop.put("b.jpg", easy_photo(2, 1));
  shop.put("left over.jpg", easy_photo(2, 2));
  shop.put("manifest.csv",
           "\xEF\xBB\xBFPhoto;Make;Window;Side;Notes\r\n"
           "a.jpg;\"Robert'); DROP TABLE pane;--\";\"front \"\"door\"\"\";left;\"two\nlines\"\r\n"
           "\r\n"
           "b.jpg;\xE6\x97\xA5\xE6\x9C\xAC \xE2\x80\xAEodd;../../../etc;right;\r\n"
           "none.jpg;Norden;slider;left;\r\n"
           "../shop.panes;Norden;slider;right;\r\n"
           ";;;;\r\n; ; ;;\r\n");
  const Run run = shop.batch({"--html", shop.folder / "page.html"});
  CAPTURE(run.err);
  CHECK(run.status == 3);
  CHECK(has(run.out, "4 photos of 4 panes: 2 measured, 2 not measured"));
  CHECK(has(run.out, "1 photo in the folder that the table does not name"));
  CHECK(has(run.err, "none.jpg: there is no such file"));
  CHECK(has(run.err, "../shop.panes: it lies outside the folder"));
  const Run found = panecard_with({"library", "find", shop.file, "--json", "-"});
  const Json panes = Json::parse(found.out)["panes"];
  REQUIRE(panes.size() == 2);
  CHECK(panes[0]["make"] == "Robert'); DROP TABLE pane;--");
  CHECK(panes[0]["window"] == "front \"door\"");
  CHECK(panes[0]["notes"] == "two\nlines");
  for (const auto& [name, bytes] : shop.content("out")) CHECK(!has(name, ".."));
  const std::string page = bytes_of(shop.folder / "page.html");
  CHECK(std::system(("xmllint --noout '" + (shop.folder / "page.html") + "'").c_str()) == 0);
  CHECK(has(page, "data:image/jpeg;base64,"));
  CHECK(has(page, "Photograph again"));
  CHECK(!has(page, "<script"));
  CHECK(!has(page, "src=\"http"));
  shop.check_clean();
}

TEST_CASE("batch: a wrong table, folder or library ends it before anything is measured") {
  const Shop shop;
  shop.put("a.jpg", easy_photo(2));
  const std::string table = shop.folder / "table.csv";
  const std::vector<std::pair<std::string, std::string>> rows = {
      {"photo,make,colour\na.jpg,x,y\n", "unknown column 'colour'; known are photo, make"},
      {"make,window\nx,y\n", "there is no column 'photo'"},
      {"photo,make,make\na.jpg,x,y\n", "two columns are called 'make'"},
      {"photo,make\na.jpg,x,y\n", "more cells than"},
      {"photo,boundary\na.jpg,edge\n", "boundary 'edge': give one of glass solid dots"},
      {"photo,make\n,x\n", "line 2: it names no photo"},
      {"photo,make\na.jpg,\"x\n", "a quote does not end"},
      {"photo,make\na.jpg,Citro\xEBn\n", "line 2 is not UTF-8"},
      {"photo,make\n", "it names no photo"},
      {"photo,make\n,\n , \n", "line 3: no line names a photo"},
      {"", "it names no photo"},
  };
  for (const auto& [text, why] : rows) {
    CAPTURE(text);
    shop.folder.write("table.csv", text);
    const Run run = shop.batch({"--manifest", table});
    check_fails(run, 2);
    CHECK(has(run.err, why));
  }
  CHECK(rows.size() == 11);
  CHECK(!fs::exists(shop.file));
  const std::string none = shop.folder / "nowhere";
  check_fails(panecard_with({"batch", none, "--library", shop.file}), 2);
  check_fails(panecard_with({"batch", shop.folder / "table.csv", "--library", shop.file}), 2);
  const std::string text = shop.folder.write("text", std::string(3000, 'x'));
  check_fails(panecard_with({"batch", shop.photos, "--library", text}), 2);
  check_fails(shop.batch({"--at", "yesterday"}), 2);
  check_fails(shop.batch({"--html", none + "/page.html"}), 2);
}

TEST_CASE("batch: a photo that no decoder likes does not stop the others") {
  const Shop shop;
  shop.put("Norden 1_slider.jpg", easy_photo(2).substr(0, 20'000));
  shop.put("Norden 2_slider.jpg", easy_photo(2));
  shop.put("Norden 3_slider.jpg", "");
  shop.put("Norden 4_slider.heic", std::string(5000, '\x7f'));
  fs::create_directory(fs::path(shop.photos) / "Norden 5_slider.jpg");
  REQUIRE(::mkfifo((fs::path(shop.photos) / "Norden 6_slider.jpg").c_str(), 0600) == 0);
  const Run run = shop.batch();
  CAPTURE(run.err);
  CHECK(run.status == 3);
  CHECK(has(run.out, "5 photos of 5 panes: 1 measured, 4 not measured"));
  CHECK(has(run.err, "Norden 6_slider.jpg: it is no ordinary file"));
  CHECK(lines(run.err) == 5);
}
