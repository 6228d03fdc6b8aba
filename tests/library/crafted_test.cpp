// Records that were made to mislead: their checksums are right, what they say is not. A library
// travels from shop to shop, so each has to end in one line and nothing else.
#include <doctest/doctest.h>
#include <sqlite3.h>

#include <algorithm>
#include <functional>

#include "fusion/fusion.h"
#include "library/keep.h"
#include "library/library.h"
#include "library/pack.h"
#include "library/results.h"
#include "support/folder.h"

namespace panecard::library {
namespace {

using support::Folder;

const Stamp kStamp{"2031-02-03T04:05:06Z", "anna", "first measured"};

struct Craft {
  const char* said;
  std::function<void(Kept&)> make;
};

std::int64_t points(const Kept& k) { return static_cast<std::int64_t>(k.outline.size()); }

const std::vector<Craft>& crafts() {
  static const std::vector<Craft> all = {
      {"has 0 points",
       [](Kept& k) { k.outline.clear(), k.pixels.clear(), k.seen.clear(), k.stations.clear(); }},
      {"has 3 points",
       [](Kept& k) {
         k.outline.resize(3), k.pixels.resize(3), k.seen.clear();
         k.stations = {0};
         for (KeptSource& s : k.sources) s.outwards.resize(1), s.along.resize(1);
       }},
      {"larger than 100 m", [](Kept& k) { k.outline[2].x = 200'000'000; }},
      {"counter-clockwise", [](Kept& k) { std::reverse(k.outline.begin(), k.outline.end()); }},
      {"counter-clockwise",
       [](Kept& k) { std::fill(k.outline.begin(), k.outline.end(), GridPoint{}); }},
      {"a plus-minus is out of range", [](Kept& k) { k.u95[1] = -1; }},
      {"a plus-minus is out of range", [](Kept& k) { k.u95[1] = kMostSize; }},
      {"in the photo is missing", [](Kept& k) { k.pixels.clear(); }},
      {"in the photo is out of range", [](Kept& k) { k.pixels[0].y = 20'000'000; }},
      {"whether it was seen", [](Kept& k) { k.seen.resize(3); }},
      {"neither seen nor unseen", [](Kept& k) { k.seen[4] = 7; }},
      {"first station", [](Kept& k) { k.stations[0] = 1; }},
      {"first station", [](Kept& k) { k.stations[0] = -5; }},
      {"first station", [](Kept& k) { k.stations.clear(), k.noise.clear(), k.sources.clear(); }},
      {"do not rise", [](Kept& k) { k.stations[2] = k.stations[1]; }},
      {"do not rise", [](Kept& k) { k.stations[1] = -7; }},
      {"no point of the outline", [](Kept& k) { k.stations.back() = points(k); }},
      {"no point of the outline", [](Kept& k) { k.stations.back() = 1'000'000'000; }},
      {"its step", [](Kept& k) { k.step = 0; }},
      {"its step", [](Kept& k) { k.step = -3; }},
      {"noise is out of range", [](Kept& k) { k.noise[0] = -1; }},
      {"noise is out of range", [](Kept& k) { k.step = 1'000'000, k.noise[0] = 1'000'000; }},
      {"impossible length", [](Kept& k) { k.alike = -1; }},
      {"a shift is out of range",
       [](Kept& k) { k.step = 100'000, k.sources[0].along[0] = 1'000'000; }},
      {"no text", [](Kept& k) { k.sources[0].name = "\xff\xfe"; }},
      {"no text", [](Kept& k) { k.sources[0].name = std::string("a\0b", 3); }},
      {"stops being JSON", [](Kept& k) { k.head = "{\"format\": "; }},
      {"stops being JSON", [](Kept& k) { k.head = "{\"format\": \"\xff\"}"; }},
      {"stops being JSON", [](Kept& k) { k.head = "{\"a\": 1e999}"; }},
      {"nested too deeply", [](Kept& k) { k.head = std::string(100'000, '['); }},
      {"no JSON object", [](Kept& k) { k.head = "[]"; }},
      {"it is no outline", [](Kept& k) { k.head = "{}"; }},
      {"it is no outline", [](Kept& k) { k.head = R"({"format": 3})"; }},
      {"boundary is unknown", [](Kept& k) { k.head = R"({"format": "panecard-outline"})"; }},
      {"boundary is unknown",
       [](Kept& k) { k.head = R"({"format": "panecard-outline", "boundary": {}})"; }},
      {"\"seen\" twice",
       [](Kept& k) {
         k.head = R"({"format": "panecard-outline", "boundary": "glass", "seen": 1})";
       }},
  };
  return all;
}

Kept good(unsigned number) {
  auto kept = keep(test::result(number), "r");
  REQUIRE(kept.ok());
  return std::move(kept).value();
}

std::string crafted(const Craft& craft, unsigned number) {
  Kept kept = good(number);
  craft.make(kept);
  return pack(kept);
}

/// Puts the record into a measurement of a library, with its digest, as whoever crafts one would.
void put(const std::string& path, std::int64_t measurement, const std::string& record) {
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &db) == SQLITE_OK);
  sqlite3_stmt* update = nullptr;
  REQUIRE(sqlite3_prepare_v2(db, "UPDATE measurement SET record = ?, digest = ? WHERE id = ?", -1,
                             &update, nullptr) == SQLITE_OK);
  const Sha256 digest = sha256(record);
  sqlite3_bind_blob(update, 1, record.data(), static_cast<int>(record.size()), SQLITE_STATIC);
  sqlite3_bind_blob(update, 2, digest.data(), static_cast<int>(digest.size()), SQLITE_STATIC);
  sqlite3_bind_int64(update, 3, measurement);
  REQUIRE(sqlite3_step(update) == SQLITE_DONE);
  sqlite3_finalize(update);
  sqlite3_close(db);
}

void raw(const std::string& path, const std::string& sql) {
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &db) == SQLITE_OK);
  REQUIRE(sqlite3_exec(db, sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(db);
}

Library opened(const std::string& path, Access access) {
  auto library = Library::open(path, {access, 5000});
  REQUIRE(library.ok());
  return std::move(library).value();
}

/// Two measurements of pane 1, the second of them in force.
void make_library(const std::string& path) {
  Library library = opened(path, Access::create);
  for (const unsigned number : {1U, 2U}) {
    REQUIRE(library
                .add({"Norden", "Kuma", "", "", ""}, {"front door", "left", ""},
                     test::result(number), {}, kStamp, true)
                .ok());
  }
}

template <typename T>
std::string why(const Result<T>& result) {
  if (result.ok()) return "nothing";
  CHECK(result.error().code == Code::unreadable_file);
  CHECK(result.error().detail.find('\n') == std::string::npos);
  return result.error().detail;
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

std::string all_of(const std::vector<Finding>& findings) {
  std::string out;
  for (const Finding& f : findings) out += f.code + ": " + f.text + "\n";
  return out;
}

}  // namespace

TEST_CASE("a record that contradicts itself is refused with what is wrong") {
  for (const Craft& craft : crafts()) {
    CAPTURE(craft.said);
    const std::string record = crafted(craft, 1);
    const std::string said = why(unpack(record));
    CHECK_MESSAGE(has(said, craft.said), said);
    // What reads less of a record reads on only where that is sound.
    const auto outline = unpack_outline(record);
    const auto shape = unpack_outline_and_u95(record);
    if (shape.ok()) CHECK(shape->u95_mm.size() == outline->size());
  }
  CHECK(unpack(crafted({"", [](Kept&) {}}, 1)).ok());
}

TEST_CASE("whatever a library is asked, a crafted record ends in one line that names it") {
  const Folder folder;
  make_library(folder / "l");
  const check::Shape asked = opened(folder / "l", Access::read).measurement_shape(1).value();
  int row = 0;
  for (const Craft& craft : crafts()) {
    CAPTURE(craft.said);
    put(folder / "l", 2, crafted(craft, 2));
    const Library library = opened(folder / "l", Access::read);
    CHECK(library.show(1).ok());
    CHECK(has(why(library.measurement_json(2)), craft.said));
    CHECK(has(why(library.measurement_shape(2)), "measurement 2"));
    CHECK(has(why(library.pattern_json(1)), "pattern of pane 1"));
    CHECK(has(why(library.pattern_shape(1)), craft.said));
    CHECK(has(why(library.combine(1, {})), "measurement 2"));
    const std::string out = folder / ("out" + std::to_string(++row));
    CHECK(has(why(library.export_to(out)), "measurement 2"));
    CHECK(!std::filesystem::exists(out));
    const auto alike = library.find_like(asked, 5);
    if (!alike.ok()) CHECK(has(why(alike), "pattern of pane 1"));
    const auto findings = library.verify();
    REQUIRE(findings.ok());
    CHECK(has(all_of(findings.value()), "measurement 2"));
    CHECK(has(all_of(findings.value()), craft.said));
  }
}

TEST_CASE("a digest that is not its record's is found, and so are crafted pieces and texts") {
  const Folder folder;
  make_library(folder / "l");
  CHECK(opened(folder / "l", Access::read).verify().value().empty());
  raw(folder / "l", "UPDATE measurement SET digest = zeroblob(32) WHERE id = 1");
  CHECK(has(all_of(opened(folder / "l", Access::read).verify().value()),
            "digest: measurement 1: its digest is not that of its record"));
  raw(folder / "l", "UPDATE vehicle_revision SET model = CAST(x'ff41' AS TEXT)");
  CHECK(has(all_of(opened(folder / "l", Access::read).verify().value()),
            "text: vehicle 1: the model is not UTF-8"));
  REQUIRE(opened(folder / "l", Access::write)
              .set_piece(1, "inside", R"({"format":"panecard-piece"})", kStamp)
              .ok());
  for (const std::string& text :
       {std::string("["), std::string(1'000'000, '['), std::string("[]"), std::string("7")}) {
    const std::string bytes = deflated(text);
    std::string digits;
    for (const char c : bytes) {
      constexpr const char* kDigits = "0123456789abcdef";
      const auto byte = static_cast<unsigned char>(c);
      digits += {kDigits[byte >> 4U], kDigits[byte & 15U]};
    }
    raw(folder / "l", "UPDATE piece SET record = x'" + digits + "'");
    const Library library = opened(folder / "l", Access::read);
    CHECK(has(why(library.show(1)), "piece 1"));
    CHECK(has(why(library.export_to(folder / "out")), "piece 1"));
    CHECK(has(all_of(library.verify().value()), "record: piece 1"));
  }
}

TEST_CASE("texts of a library that are no UTF-8 do not stop its export") {
  const Folder folder;
  make_library(folder / "l");
  raw(folder / "l", "UPDATE vehicle_revision SET model = CAST(x'ff41' AS TEXT)");
  CHECK(opened(folder / "l", Access::read).export_to(folder / "out").value() == 1);
}

TEST_CASE("moments that are no numbers do not come before those that are") {
  const Folder folder;
  make_library(folder / "l");
  const check::Shape asked = opened(folder / "l", Access::read).measurement_shape(2).value();
  const auto before = opened(folder / "l", Access::read).find_like(asked, 5);
  REQUIRE(before.ok());
  std::string digits;
  for (std::size_t k = 0; k < 1 + 2 * fusion::kMoments; ++k) digits += "0000c07f";  // IEEE 754: NaN
  raw(folder / "l", "UPDATE pane_shape SET value = x'" + digits + "'");
  const auto after = opened(folder / "l", Access::read).find_like(asked, 5);
  REQUIRE(after.ok());
  CHECK(after->size() == before->size());
  CHECK(has(all_of(opened(folder / "l", Access::read).verify().value()), "by its shape"));
}

TEST_CASE("a result file that could not come back is not kept") {
  // A name of 60 characters of four bytes each is longer than the 200 that a record once allowed.
  Kept kept = good(1);
  std::string name;
  for (int i = 0; i < 60; ++i) name += "\xF0\x9F\x9A\x97";
  kept.sources[0].name = name;
  const auto again = keep(to_result_json(kept), "r");
  REQUIRE(again.ok());
  CHECK(unpack(pack(again.value())).value().sources[0].name == name);
  // Fields beside the outline may take 4 MB.
  kept = good(1);
  const std::string json = to_result_json(kept);
  const auto large =
      keep("{\"notes\": \"" + std::string(4'000'000, 'x') + "\"," + json.substr(1), "r");
  CHECK(has(why(large), "over 4 MB"));
}

}  // namespace panecard::library
