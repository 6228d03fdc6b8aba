#include <algorithm>
#include <cmath>

#include "film/film.h"
#include "records/json_reader.h"
#include "records/json_writer.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::records {
namespace {

using reader::Json;
using reader::Refusal;

constexpr std::size_t kMostBytes = 8'000'000, kMostPoints = 20'000, kMostSides = 2000;
constexpr double kFurthest_mm = 1e5, kMostAllowance_mm = 1e4;
constexpr std::size_t kLongestName = 120;

std::string where(PointMm p) { return "x " + to_text(p.x, 1) + ", y " + to_text(p.y, 1) + " mm"; }

Written sides(const std::vector<film::FilmSide>& sides) {
  Written out = Written::array();
  for (const film::FilmSide& s : sides) {
    Written side = {{"name", s.name},
                    {"where", s.where},
                    {"first", s.first},
                    {"last", s.last},
                    {"allowance_mm", mm(s.allowance_mm)},
                    {"u95_added_mm", mm(s.u95_added_mm)}};
    side["u95_mm"] = s.u95_mm ? Written(mm(*s.u95_mm)) : Written(nullptr);
    out.push_back(side);
  }
  return out;
}

std::vector<film::FilmSide> sides_in(const Json& root, std::size_t points) {
  std::vector<film::FilmSide> out;
  for (const Json& value : reader::list(root, "sides", 0, kMostSides)) {
    if (!value.is_object()) throw Refusal{"\"sides\" holds something other than objects"};
    const auto amount = [&](const char* key, double least) {
      return reader::number(reader::member(value, key), key, least, kMostAllowance_mm);
    };
    film::FilmSide s;
    s.name = reader::text(value, "name", kLongestName);
    s.where = reader::text(value, "where", kLongestName);
    s.first = reader::index(reader::member(value, "first"), "first", points);
    s.last = reader::index(reader::member(value, "last"), "last", points);
    s.allowance_mm = amount("allowance_mm", -kMostAllowance_mm);
    s.u95_added_mm = amount("u95_added_mm", 0);
    if (!reader::member(value, "u95_mm").is_null()) s.u95_mm = amount("u95_mm", 0);
    out.push_back(s);
  }
  return out;
}

/// Slow and simple: only for a shape that is refused.
std::string where_it_crosses(const PolygonMm& p) {
  const std::size_t n = p.size();
  const auto side = [](PointMm a, PointMm b, PointMm c) { return cross(b - a, c - a); };
  for (std::size_t i = 0; i < n; ++i) {
    const PointMm a = p[i], b = p[(i + 1) % n];
    for (std::size_t k = i + 2; k < n - (i == 0 ? 1 : 0); ++k) {
      const PointMm c = p[k], d = p[(k + 1) % n];
      const double c_side = side(a, b, c), d_side = side(a, b, d);
      const double a_side = side(c, d, a), b_side = side(c, d, b);
      if (c_side * d_side > 0 || a_side * b_side > 0 || a_side == b_side) continue;
      return " at " + where(a + (a_side / (a_side - b_side)) * (b - a));
    }
  }
  return "";
}

PolygonMm cut_in(const Json& root) {
  PolygonMm cut =
      reader::pairs<PointMm>(reader::list(root, "cut_mm", 3, kMostPoints), "cut_mm", kFurthest_mm);
  if (self_intersects(cut)) {
    throw Refusal{"its cut line crosses or touches itself" + where_it_crosses(cut)};
  }
  const double area = signed_area_mm2(cut);
  if (area < 0) throw Refusal{"its cut line runs clockwise"};
  if (area < 1) throw Refusal{"its cut line encloses less than 1 mm2: it is open"};
  return cut;
}

/// What the knife follows and what the pieces are laid out by must be one line. Both run the same
/// way, so that the search goes on where it last was; both are bounded, and so is the search.
void check_alike(const PolygonMm& cut, const std::vector<ArcVertex>& arcs) {
  constexpr double kChord_mm = 0.02, kApart_mm = 0.1;
  constexpr std::size_t kMostSteps = 200'000'000, kMostChords = 400'000;
  constexpr double kMostStations = 50'000;
  const film::CutPath path{film::CutKind::cut, arcs, true, "", -1};
  if (count_chords(path, kChord_mm) > kMostChords) throw Refusal{"its arcs take too many chords"};
  const std::size_t n = cut.size();
  std::size_t at = 0, steps = 0;
  const PolygonMm chords = flatten(path, kChord_mm);
  const double step_mm = std::max(1.0, perimeter_mm(chords) / kMostStations);
  for (const PointMm p : resample(chords, step_mm)) {
    std::size_t tried = 0;
    while (distance_to_segment(p, cut[at], cut[(at + 1) % n]) > kApart_mm) {
      at = (at + 1) % n;
      if (++tried > n || ++steps > kMostSteps) {
        throw Refusal{"its arcs leave its cut line at " + where(p)};
      }
    }
  }
  const double apart = std::abs(signed_area_mm2(path) - signed_area_mm2(cut));
  if (!(apart <= kApart_mm * perimeter_mm(cut))) {
    throw Refusal{"its arcs and its cut line enclose different areas"};
  }
}

film::FilmPiece stored(const std::string& bytes) {
  const Json root = reader::parsed(bytes, "panecard-piece");
  film::FilmPiece out;
  out.name = reader::text(root, "name", kLongestName);
  out.boundary = reader::boundary_in(root);
  out.along = reader::along_in(root);
  out.may_mirror = reader::yes_or_no(root, "may_mirror");
  if (root.contains("film")) out.film = reader::text(root, "film", kLongestName);
  out.copies = reader::whole(reader::member(root, "copies"), "copies", 1, film::kMostCopies);
  out.cut = cut_in(root);
  out.arcs = reader::arcs(reader::list(root, "arcs", 2, kMostPoints), "arcs", kFurthest_mm);
  check_alike(out.cut, out.arcs);
  out.area_mm2 = signed_area_mm2(out.cut);
  out.sides = sides_in(root, out.cut.size());
  out.findings = reader::findings_in(root, "findings");
  return out;
}

}  // namespace

std::string to_piece_json(const film::FilmPiece& piece) {
  Written cut = Written::array();
  for (const PointMm p : piece.cut) cut.push_back({mm(p.x), mm(p.y)});
  Written j;
  j["format"] = "panecard-piece";
  j["version"] = 1;
  j["name"] = piece.name;
  j["boundary"] = piece.boundary;
  j["along"] = piece.along;
  j["may_mirror"] = piece.may_mirror;
  if (!piece.film.empty()) j["film"] = piece.film;
  j["copies"] = piece.copies;
  j["area_mm2"] = mm(piece.area_mm2);
  j["sides"] = sides(piece.sides);
  j["findings"] = written(piece.findings);
  j["arcs"] = written(piece.arcs);
  j["cut_mm"] = cut;
  return written_lines(j);
}

Result<film::FilmPiece> read_piece(const std::string& path) {
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  return reader::read_json<film::FilmPiece>(bytes.value(), stored, [&](const std::string& why) {
    return "'" + path + "' is no film piece: " + why + "; write it again with piece --json";
  });
}

}  // namespace panecard::records
