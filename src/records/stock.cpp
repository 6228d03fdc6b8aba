// The stock file: rolls and leftovers, kept by hand and by `roll --commit`.
#include <algorithm>
#include <array>
#include <cmath>

#include "records/json_reader.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::records {
namespace {

using reader::Json;
using reader::Refusal;
using Ordered = nlohmann::ordered_json;

constexpr std::size_t kMostBytes = 4'000'000, kMostFilms = 2000, kLongestName = 80;
constexpr double kLeastWidth_mm = 10, kMostWidth_mm = 5000, kMostLength_mm = 1e6, kMostPrice = 1e6;
constexpr double kMmPerM = 1000, kMmPerInch = 25.4, kMmPerFoot = 304.8;

struct Unit {
  const char* key;
  double mm;  ///< of one; of a price: per so many
};
using Units2 = std::array<Unit, 2>;
constexpr Units2 kWidth = {{{"width_mm", 1}, {"width_in", kMmPerInch}}};
constexpr Units2 kLeft = {{{"left_m", kMmPerM}, {"left_ft", kMmPerFoot}}};
constexpr Units2 kLength = {{{"length_mm", 1}, {"length_in", kMmPerInch}}};
constexpr Units2 kPrice = {{{"price_per_m", kMmPerM}, {"price_per_ft", kMmPerFoot}}};

template <typename Object>
const Unit* unit_in(const Object& entry, const Units2& units) {
  const Unit* found = nullptr;
  for (const Unit& unit : units) {
    if (entry.find(unit.key) == entry.end()) continue;
    if (found != nullptr) {
      throw Refusal{std::string("\"") + found->key + "\" and \"" + unit.key +
                    "\" are both stated; keep one"};
    }
    found = &unit;
  }
  return found;
}

double length_in(const Json& entry, const Units2& units, double least_mm, double most_mm) {
  const Unit* unit = unit_in(entry, units);
  if (unit == nullptr) {
    throw Refusal{std::string("neither \"") + units[0].key + "\" nor \"" + units[1].key +
                  "\" is stated"};
  }
  return unit->mm *
         reader::number(entry[unit->key], unit->key, least_mm / unit->mm, most_mm / unit->mm);
}

layout::Film film_in(const Json& entry, bool leftover) {
  if (!entry.is_object()) throw Refusal{"it is no object"};
  layout::Film out;
  out.leftover = leftover;
  out.name = reader::text(entry, "name", kLongestName);
  if (out.name.empty()) throw Refusal{"it has no \"name\""};
  out.kind = reader::text(entry, "film", kLongestName);
  out.width_mm = length_in(entry, kWidth, kLeastWidth_mm, kMostWidth_mm);
  out.length_mm = length_in(entry, leftover ? kLength : kLeft, 0, kMostLength_mm);
  if (const Unit* unit = leftover ? nullptr : unit_in(entry, kPrice)) {
    out.price_per_m =
        reader::number(entry[unit->key], unit->key, 0, kMostPrice) * kMmPerM / unit->mm;
  }
  return out;
}

void add_films(const Json& root, const char* key, bool leftover, std::vector<layout::Film>& films) {
  if (root.find(key) == root.end()) return;
  std::size_t entry = 0;
  for (const Json& value : reader::list(root, key, 0, kMostFilms)) {
    ++entry;
    try {
      films.push_back(film_in(value, leftover));
    } catch (const Refusal& refusal) {
      throw Refusal{"\"" + std::string(key) + "\", entry " + std::to_string(entry) + ": " +
                    refusal.what};
    }
    const auto named = [&](const layout::Film& f) { return f.name == films.back().name; };
    if (std::any_of(films.begin(), films.end() - 1, named)) {
      throw Refusal{"two films are called '" + films.back().name + "'; give each its own name"};
    }
  }
}

film::Stock stock_in(const std::string& bytes) {
  const Json root = reader::parsed(bytes, "panecard-stock");
  film::Stock out;
  out.currency = reader::text(root, "currency", 12);
  add_films(root, "rolls", false, out.films);
  add_films(root, "leftovers", true, out.films);
  if (out.films.empty()) throw Refusal{"it lists neither \"rolls\" nor \"leftovers\""};
  out.bytes = bytes;
  return out;
}

std::string free_name(const film::Stock& stock, const std::vector<std::string>& taken,
                      const std::string& from) {
  constexpr std::size_t kRoom = 12;  // a name that is cut when it is read could be another's
  const std::string start = clean(from, kLongestName - kRoom);
  for (int k = 1;; ++k) {
    std::string name = start + " rest " + std::to_string(k);
    const bool known = std::any_of(stock.films.begin(), stock.films.end(),
                                   [&](const layout::Film& f) { return f.name == name; });
    if (!known && std::find(taken.begin(), taken.end(), name) == taken.end()) return name;
  }
}

/// Rounded down: a stock that says more than there is costs a job.
double rounded_down(double v, double step) { return std::floor(v / step + 1e-9) * step; }

void set_length(Ordered& entry, bool leftover, double mm) {
  const Unit& unit = *unit_in(entry, leftover ? kLength : kLeft);
  const double step = leftover ? 0.1 : 0.001;
  const double v = std::max(0.0, rounded_down(mm / unit.mm, step));
  entry[unit.key] = std::round(v / step) / (1 / step);
}

}  // namespace

Result<film::Stock> read_stock(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  return reader::read_json<film::Stock>(bytes.value(), stock_in, [&](const std::string& why) {
    return "'" + path + "' is no stock file: " + why +
           "; put it right, see samples/stock.json for one that is";
  });
}

Result<std::string> stock_after(const film::Stock& stock, const std::vector<film::Taken>& taken,
                                double keep_mm) {
  Ordered root = Ordered::parse(stock.bytes);
  std::vector<std::string> names;
  for (const film::Taken& t : taken) {
    const layout::Film& from = stock.films.at(t.film);
    const double left_mm = from.length_mm - t.used_mm;
    if (left_mm < 0) {
      return Error{Code::does_not_fit, "'" + from.name + "' has " + to_text(from.length_mm, 0) +
                                           " mm left, " + to_text(t.used_mm, 0) +
                                           " mm are needed; choose another film"};
    }
    Ordered& list = root[from.leftover ? "leftovers" : "rolls"];
    const auto entry = std::find_if(list.begin(), list.end(), [&](const Ordered& e) {
      return clean(e.at("name").get<std::string>(), kLongestName) == from.name;
    });
    if (from.leftover && std::min(left_mm, from.width_mm) < keep_mm) {
      list.erase(entry);
    } else {
      set_length(*entry, from.leftover, left_mm);
    }
    for (const layout::Rectangle& rest : t.rests) {
      if (rest.width_mm < kLeastWidth_mm) continue;  // no film that a stock file can list
      names.push_back(free_name(stock, names, from.name));
      Ordered piece = {{"name", names.back()}};
      if (!from.kind.empty()) piece["film"] = from.kind;
      piece["width_mm"] = rounded_down(rest.width_mm, 1);
      piece["length_mm"] = rounded_down(rest.length_mm, 1);
      root["leftovers"].push_back(piece);
    }
  }
  return root.dump(2, ' ', false, Ordered::error_handler_t::replace) + "\n";
}

}  // namespace panecard::records
