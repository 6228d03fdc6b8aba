#include "pattern/pattern.h"

#include <algorithm>
#include <cctype>
#include <cmath>

#include "pattern/clean.h"
#include "pattern/corners.h"
#include "pattern/distances.h"
#include "pattern/line.h"
#include "pattern/oversize.h"
#include "pattern/parallel.h"

namespace panecard::pattern {
namespace {

constexpr double kSmallest_mm2 = 1;  // what is smaller is no piece and no hole
constexpr double kArcTolerance_mm = 0.01;

std::vector<double> plain(const std::vector<SideDistance>& distances) {
  std::vector<double> out;
  out.reserve(distances.size());
  for (const SideDistance& d : distances) out.push_back(d.mm);
  return out;
}

std::size_t parts_of(const Cleaned& cleaned) {
  return static_cast<std::size_t>(
      std::count_if(cleaned.outers.begin(), cleaned.outers.end(),
                    [](const TaggedLine& t) { return signed_area_mm2(t.points) > kSmallest_mm2; }));
}

std::size_t parts(const Pane& pane, const std::vector<double>& distance_mm) {
  return parts_of(positive_part(raw_cut(pane, distance_mm)));
}

/// The largest share of the distances of `which` that leaves one piece.
double possible_share(const Pane& pane, const std::vector<double>& mm,
                      const std::vector<bool>& which) {
  constexpr int kHalvings = 20;
  double low = 0, high = 1;
  for (int i = 0; i < kHalvings; ++i) {
    const double share = (low + high) / 2;
    std::vector<double> tried = mm;
    for (std::size_t k = 0; k < mm.size(); ++k) {
      if (which[k]) tried[k] *= share;
    }
    (parts(pane, tried) == 1 ? low : high) = share;
  }
  return low;
}

std::string floored(double mm) { return to_text(std::floor(mm * 10) / 10, 1); }

/// The allowance that makes the piece vanish or fall apart, and the largest possible amount.
Error no_single_piece(const Pane& pane, const std::vector<double>& mm, std::size_t parts_left) {
  const std::string what =
      parts_left == 0 ? " leaves no piece" : " leaves " + std::to_string(parts_left) + " pieces";
  const std::vector<Side>& sides = pane.division.sides;
  const bool alike = std::all_of(mm.begin(), mm.end(), [&](double d) { return d == mm[0]; });
  std::vector<bool> inward;
  inward.reserve(mm.size());
  for (const double d : mm) inward.push_back(d < 0);
  for (std::size_t k = 0; k < mm.size() && !alike; ++k) {
    std::vector<bool> only(mm.size());
    std::vector<double> without = mm;
    for (std::size_t m = 0; m < mm.size(); ++m) {
      only[m] = inward[m] && mm[m] == mm[k] && sides[m].where == sides[k].where;
      if (only[m]) without[m] = 0;
    }
    if (!inward[k] || parts(pane, without) != 1) continue;
    return {Code::bad_usage, to_text(-mm[k], 2) + " mm inwards at '" + sides[k].name + "'" + what +
                                 "; up to " + floored(-mm[k] * possible_share(pane, mm, only)) +
                                 " mm is possible there"};
  }
  const double share = possible_share(pane, mm, inward);
  if (alike) {
    return {Code::bad_usage, to_text(-mm[0], 2) + " mm inwards all round" + what + "; up to " +
                                 floored(-mm[0] * share) + " mm is possible"};
  }
  return {Code::bad_usage, "going inwards on every side at once" + what + "; up to " +
                               floored(100 * share) + " % of each is possible"};
}

/// Begins where the first side does, so that sides do not wrap without need.
void start_with_a_side(TaggedLine& line) {
  const std::size_t n = line.points.size();
  int lowest = kJoin;
  std::size_t start = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const int tag = line.tag[i];
    if (tag < 0 || tag == line.tag[(i + n - 1) % n] || (lowest >= 0 && tag >= lowest)) continue;
    lowest = tag;
    start = i;
  }
  std::rotate(line.points.begin(), line.points.begin() + static_cast<long>(start),
              line.points.end());
  std::rotate(line.tag.begin(), line.tag.begin() + static_cast<long>(start), line.tag.end());
}

/// Swaps the words wherever they stand alone.
std::string left_for_right(const std::string& text) {
  const auto is_letter = [&](std::size_t i) {
    return i < text.size() && std::isalpha(static_cast<unsigned char>(text[i])) != 0;
  };
  std::string out;
  for (std::size_t i = 0; i < text.size();) {
    std::size_t end = i;
    while (is_letter(end)) ++end;
    const std::string word = text.substr(i, std::max<std::size_t>(end - i, 1));
    out += word == "left" ? "right" : word == "right" ? "left" : word;
    i += word.size();
  }
  return out;
}

std::vector<CutSide> sides_of(const TaggedLine& line, const std::vector<Side>& sides,
                              const std::vector<SideDistance>& distances) {
  const std::size_t n = line.points.size();
  std::vector<CutSide> out;
  for (std::size_t i = 0; i < n; ++i) {
    const int tag = line.tag[i];
    if (tag < 0) continue;
    if (i == 0 || line.tag[i - 1] != tag) {
      const auto k = static_cast<std::size_t>(tag);
      out.push_back(
          {{sides[k].name, sides[k].where, i, i}, distances[k].mm, distances[k].u95_added_mm});
    }
    out.back().side.last = (i + 1) % n;
  }
  return out;
}

std::vector<Finding> swallowed(const std::vector<CutSide>& there, const std::vector<Side>& sides) {
  std::vector<Finding> out;
  for (const Side& side : sides) {
    const bool kept = std::any_of(there.begin(), there.end(),
                                  [&](const CutSide& c) { return c.side.name == side.name; });
    if (kept) continue;
    out.push_back({"side_swallowed", "'" + side.name +
                                         "' has no cut line of its own: those of its "
                                         "neighbours meet before it; check the drawing"});
  }
  return out;
}

/// Corners, then the checks, then all that is said about the line.
Result<Piece> finished(TaggedLine line, const Division& division, const Request& request,
                       const std::vector<SideDistance>& distances) {
  auto radii = per_corner(division, request.roundings, "a corner radius");
  if (!radii.ok()) return radii.error();
  const auto reliefs = per_corner(division, request.reliefs, "a relief");
  if (!reliefs.ok()) return reliefs.error();
  Radii wanted{std::move(radii).value(), 0};
  for (const CornerCut& cut : request.roundings) {
    if (cut.corner.empty()) wanted.elsewhere_mm = cut.mm;
  }
  for (std::size_t k = 0; k < wanted.of_corner_mm.size(); ++k) {
    if (reliefs.value()[k] > 0) wanted.of_corner_mm[k] = 0;
  }
  const auto round = rounded(line, wanted);
  if (!round.ok()) return round.error();
  auto cut = relieved(round.value(), division.corners, reliefs.value());
  if (!cut.ok()) return cut.error();
  line = std::move(cut).value();
  tidy(line);
  start_with_a_side(line);
  if (const auto at = find_crossing(line.points)) {
    return Error{Code::bad_usage, "the cut line would touch itself at " + place_text(*at) +
                                      "; change the allowances near it"};
  }
  Piece piece;
  piece.sides = sides_of(line, division.sides, distances);
  piece.findings = swallowed(piece.sides, division.sides);
  piece.area_mm2 = signed_area_mm2(line.points);
  const Extent extent = extent_of(line.points);
  piece.low = extent.low;
  piece.high = extent.high;
  piece.arcs = lines_and_arcs(line.points, kArcTolerance_mm);
  piece.cut = std::move(line.points);
  return piece;
}

void add_all(Piece& piece, std::vector<Finding> findings) {
  for (Finding& f : findings) piece.findings.push_back(std::move(f));
}

Result<Piece> parallel_piece(const Pane& pane, const Request& request) {
  const auto wanted = distances(pane, request);
  if (!wanted.ok()) return wanted.error();
  Cleaned cleaned = positive_part(raw_cut(pane, plain(wanted.value())));
  const std::size_t left = parts_of(cleaned);
  if (left != 1) return no_single_piece(pane, plain(wanted.value()), left);
  auto piece = finished(std::move(cleaned.outers.front()), pane.division, request, wanted.value());
  if (!piece.ok()) return piece;
  const bool asked = request.rest.cover || std::any_of(request.sides.begin(), request.sides.end(),
                                                       [](const Allowance& a) { return a.cover; });
  add_all(piece.value(), u95_findings(pane, wanted.value(), asked));
  add_all(piece.value(), absent_findings(pane.division, request));
  if (cleaned.hole_area_mm2 > kSmallest_mm2) {
    piece.value().findings.push_back(
        {"bay_closed", "the allowance closes a bay of " + to_text(cleaned.hole_area_mm2, 0) +
                           " mm2 in the outline; the piece is filled there"});
  }
  return piece;
}

Result<Piece> oversize_piece(const Pane& pane, const Request& request) {
  const auto blank = oversize_rectangle(pane, *request.oversize);
  if (!blank.ok()) return blank.error();
  Request corners_only = request;
  if (request.oversize->radius_mm > 0) {
    corners_only.roundings.insert(corners_only.roundings.begin(),
                                  {"", request.oversize->radius_mm});
  }
  TaggedLine line{blank->outline, {0, 1, 2, 3}};
  std::vector<SideDistance> beyond(
      4, {request.oversize->mm + blank->u95_added_mm, blank->u95_added_mm});
  auto piece = finished(std::move(line), blank->division, corners_only, beyond);
  if (!piece.ok()) return piece;
  add_all(piece.value(), oversize_findings(pane, *request.oversize, blank.value(), piece->cut));
  return piece;
}

}  // namespace

Result<Piece> make_piece(const Pane& pane, const Request& request) {
  auto piece = request.oversize ? oversize_piece(pane, request) : parallel_piece(pane, request);
  if (piece.ok() && request.mirrored) return mirrored(std::move(piece).value());
  return piece;
}

Piece mirrored(Piece piece) {
  const std::size_t n = piece.cut.size(), arcs = piece.arcs.size();
  const auto twin = [](PointMm p) { return PointMm{-p.x, p.y}; };
  std::reverse(piece.cut.begin(), piece.cut.end());
  for (PointMm& p : piece.cut) p = twin(p);
  // A mirrored arc turns the other way, and run backwards as before: only its start moves.
  std::vector<ArcVertex> back;
  back.reserve(arcs);
  for (std::size_t k = 0; k < arcs; ++k) {
    const ArcVertex& end = piece.arcs[arcs - 1 - k];
    back.push_back({twin(end.at), piece.arcs[(2 * arcs - 2 - k) % arcs].bulge});
  }
  piece.arcs = std::move(back);
  std::reverse(piece.sides.begin(), piece.sides.end());
  for (CutSide& cut : piece.sides) {
    const std::size_t first = n - 1 - cut.side.first, last = n - 1 - cut.side.last;
    cut.side = {left_for_right(cut.side.name), left_for_right(cut.side.where), last, first};
  }
  const double low = piece.low.x;
  piece.low.x = -piece.high.x;
  piece.high.x = -low;
  for (Finding& finding : piece.findings) finding.text = left_for_right(finding.text);
  return piece;
}

}  // namespace panecard::pattern
