// Searching a large library: bench_library FILE [PANES [QUERIES]] makes FILE, if it is not there,
// by varying the outlines of the samples, and looks for panes by words and by shape.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <numbers>
#include <random>

#include "library/library.h"
#include "library/pack.h"
#include "library/records.h"

namespace {

using namespace panecard;           // NOLINT(google-build-using-namespace)
using namespace panecard::library;  // NOLINT(google-build-using-namespace)
namespace fs = std::filesystem;

std::vector<PolygonMm> sample_outlines() {
  std::vector<PolygonMm> out;
  std::vector<fs::path> files;
  for (const auto& entry : fs::directory_iterator(PANECARD_SAMPLES)) {
    if (fs::exists(entry.path() / "truth.json")) files.push_back(entry.path() / "truth.json");
  }
  std::sort(files.begin(), files.end());
  for (const fs::path& file : files) {
    const auto bytes = read_file(file.string(), 10'000'000);
    if (!bytes.ok()) continue;
    PolygonMm outline;
    const auto truth = nlohmann::json::parse(bytes.value());
    for (const auto& p : truth.at("edge_mm")) {
      outline.push_back({p[0].get<double>(), p[1].get<double>()});
    }
    if (signed_area_mm2(outline) < 0) std::reverse(outline.begin(), outline.end());
    out.push_back(resample(outline, perimeter_mm(outline) / 500));
  }
  return out;
}

double within(std::mt19937& random, double low, double high) {
  return std::uniform_real_distribution<double>(low, high)(random);
}

/// A sample's outline stretched, sheared and bowed by what one model differs from another.
PolygonMm varied(const std::vector<PolygonMm>& samples, unsigned number) {
  std::mt19937 random(number + 1);
  PolygonMm out = samples[random() % samples.size()];
  const double wide = within(random, 0.85, 1.15), high = within(random, 0.85, 1.15);
  const double lean = within(random, -0.08, 0.08), bow = within(random, -8, 8);
  const double bow2 = within(random, -8, 8), taper = within(random, -0.06, 0.06);
  const Extent extent = extent_of(out);
  const PointMm size = extent.size();
  for (PointMm& p : out) {
    const double u = 2 * (p.x - extent.low.x) / size.x - 1,
                 v = 2 * (p.y - extent.low.y) / size.y - 1;
    p = {wide * (1 + taper * v) * p.x + lean * p.y + bow * v * v, high * p.y + bow2 * (1 - u * u)};
  }
  return out;
}

Kept kept_of(const PolygonMm& outline) {
  Kept kept;
  kept.head = R"({"format":"panecard-outline","version":1,"boundary":"glass"})";
  for (const PointMm p : outline) {
    kept.outline.push_back({std::llround(p.x / kGrid_mm), std::llround(p.y / kGrid_mm)});
    kept.u95.push_back(120);
  }
  return kept;
}

constexpr std::array<const char*, 12> kMakes = {"Norden", "Vesna", "Turmer", "Okami",
                                                "Halden", "Brisa", "Corvin", "Lumo",
                                                "Tarn",   "Eksa",  "Polder", "Zephir"};
constexpr std::array<const char*, 6> kWindows = {"front door", "rear door", "quarter",
                                                 "vent",       "slider",    "rear fixed"};

void build(const std::string& path, const std::vector<PolygonMm>& samples, unsigned panes) {
  if (fs::exists(path)) return;
  auto store = Store::open(path, {Access::create, 5000});
  if (!store.ok()) std::exit(2);
  SQLite::Database& db = store.value()->db();
  const auto done = store.value()->change([&]() -> Result<int> {
    const std::int64_t change = new_change(db, {"t", "bench", "made up"});
    for (unsigned i = 0; i < panes; i += static_cast<unsigned>(kWindows.size())) {
      db.exec("INSERT INTO vehicle DEFAULT VALUES");
      const std::int64_t vehicle = db.getLastInsertRowid();
      const std::string model = "model" + std::to_string(i % 4001),
                        body = i % 2 == 0 ? "van" : "estate";
      const unsigned year = 1990 + i % 35;
      revise_vehicle(db, vehicle,
                     {kMakes[i % kMakes.size()], model,
                      std::to_string(year) + "-" + std::to_string(year + 5), body, ""},
                     change);
      for (unsigned w = 0; w < kWindows.size() && i + w < panes; ++w) {
        SQLite::Statement insert(db, "INSERT INTO pane(vehicle) VALUES(?)");
        insert.bind(1, vehicle);
        insert.exec();
        const std::int64_t pane = db.getLastInsertRowid();
        const Kept kept = kept_of(varied(samples, i + w));
        const std::int64_t measurement = insert_measurement(db, 0, pane, change, kept, pack(kept));
        SQLite::Statement pattern(db, "INSERT INTO pattern(pane, measurement) VALUES(?, ?)");
        SQLite::bind(pattern, pane, measurement);
        pattern.exec();
        revise_pane(db, pane, {{kWindows[w], "left", ""}, db.getLastInsertRowid(), {}}, change);
      }
    }
    return 0;
  });
  if (!done.ok()) std::exit(2);
}

check::Shape asked_for(const PolygonMm& pane, std::mt19937& random, bool mirror) {
  std::normal_distribution<double> noise(0, 0.5);
  PolygonMm points = resample(pane, 5);
  const PolygonMm normals = outward_normals(points);
  for (std::size_t i = 0; i < points.size(); ++i)
    points[i] = points[i] + noise(random) * normals[i];
  const double turn = within(random, 0, 2 * std::numbers::pi);
  for (PointMm& p : points) {
    const double x = mirror ? -p.x : p.x;
    p = {std::cos(turn) * x - std::sin(turn) * p.y + 70, std::sin(turn) * x + std::cos(turn) * p.y};
  }
  if (mirror) std::reverse(points.begin(), points.end());
  check::Shape shape;
  shape.u95_mm.assign(points.size(), 1);
  shape.contour.points = std::move(points);
  shape.contour.correlation_length_mm = 5;
  shape.sources_known = false;
  return shape;
}

/// Of this program on its core, so that others' work does not count.
double milliseconds() { return 1e3 * static_cast<double>(std::clock()) / CLOCKS_PER_SEC; }

void say(const char* what, std::vector<double> times) {
  std::sort(times.begin(), times.end());
  std::printf("%-28s median %7.2f ms, 95 %% %7.2f ms\n", what, times[times.size() / 2],
              times[times.size() * 95 / 100]);
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 2) return 2;
  const auto panes = static_cast<unsigned>(argc > 2 ? std::atoi(argv[2]) : 100'000);
  const int queries = argc > 3 ? std::atoi(argv[3]) : 200;
  const std::vector<PolygonMm> samples = sample_outlines();
  if (samples.empty()) return 2;
  build(argv[1], samples, panes);
  std::printf("%u panes, %.0f bytes each\n", panes,
              static_cast<double>(fs::file_size(argv[1])) / panes);
  const auto library = Library::open(argv[1], {Access::read, 5000});
  if (!library.ok()) return 2;
  for (const char* text : {"door 2019", "norden model123", "nroden model40 quartr", "2001 slidre",
                           "van", "zephir vent 1999"}) {
    std::vector<double> times;
    std::size_t found = 0;
    for (int i = 0; i < 20; ++i) {
      const auto start = milliseconds();
      const auto lines = library.value().find(text, 20);
      times.push_back(milliseconds() - start);
      found = lines.ok() ? lines->size() : 0;
    }
    std::printf("%2zu found  ", found);
    say(text, times);
  }
  std::mt19937 random(99);
  std::vector<double> times;
  int first = 0, among = 0;
  const auto start_cold = milliseconds();
  (void)library.value().find_like(asked_for(varied(samples, 0), random, false), 5);
  std::printf("first search by shape %.0f ms\n", milliseconds() - start_cold);
  for (int q = 0; q < queries; ++q) {
    const unsigned wanted = static_cast<unsigned>(random()) % panes;
    const check::Shape shape = asked_for(varied(samples, wanted), random, q % 2 == 1);
    const auto start = milliseconds();
    const auto alike = library.value().find_like(shape, 5);
    times.push_back(milliseconds() - start);
    if (!alike.ok() || alike->empty()) continue;
    first += alike->front().line.pane == wanted + 1 ? 1 : 0;
    among += std::any_of(alike->begin(), alike->end(),
                         [&](const Alike& a) { return a.line.pane == wanted + 1; })
                 ? 1
                 : 0;
  }
  say("by shape", times);
  std::printf("right pane first %d of %d, among five %d\n", first, queries, among);
  return 0;
}
