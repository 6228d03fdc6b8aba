#include "drawings/job_words.h"

#include <algorithm>
#include <sstream>

#include "drawings/layout_picture.h"
#include "drawings/wording.h"
#include "film/film.h"

namespace panecard::drawings {
namespace {

using outline::Dimension;

constexpr std::size_t kLongestName = 60, kLongestSentence = 600;

/// The columns of a length in both units, the wanted one first.
std::vector<WordColumn> length_columns(Units u) {
  std::vector<WordColumn> mm = {{"mm"}, {"", false, true}};
  std::vector<WordColumn> inch = {{"in"}, {"", false, true}};
  std::vector<WordColumn> out = u == Units::mm ? mm : inch;
  for (const WordColumn& c : u == Units::mm ? inch : mm) out.push_back(c);
  out.push_back({"nearest 1/16 in"});
  return out;
}

void add_length(std::vector<std::string>& row, const Dimension& d, Units u) {
  const Units other = u == Units::mm ? Units::inch : Units::mm;
  for (const Units unit : {u, other}) {
    const report::Said said = say_length(d, unit);
    row.push_back(said.value);
    row.push_back("\u00b1 " + said.u95);
  }
  row.push_back(to_sixteenths(d.value));
}

Dimension percent(const optics::Share& s) { return {100 * s.value, 100 * s.u95()}; }

void add_share(WordTable& table, const std::string& name, const optics::Share& share) {
  const report::Said said = say(percent(share), 1);
  table.rows.push_back({name, said.value, "\u00b1 " + said.u95 + " %"});
}

std::vector<std::string> lines_of(const char* text) {
  std::vector<std::string> out;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) out.push_back(line);
  return out;
}

}  // namespace

std::string job_title(const Job& job) {
  const std::string vehicle = clean(job.vehicle, 120);
  return vehicle.empty() ? "Vehicle not named" : vehicle;
}

WordTable pane_table(const Job& job, Units u) {
  WordTable out;
  out.columns = {{"pane", false}, {"side", false}};
  for (const WordColumn& c : length_columns(u)) out.columns.push_back(c);
  for (const JobPane& pane : job.panes) {
    std::vector<std::string> long_side = {clean(pane.name, kLongestName), "long"};
    add_length(long_side, pane.measured.outline.long_mm, u);
    std::vector<std::string> short_side = {"", "short"};
    add_length(short_side, pane.measured.outline.short_mm, u);
    out.rows.push_back(std::move(long_side));
    out.rows.push_back(std::move(short_side));
  }
  return out;
}

WordTable size_table(const model::Measurement& m, Units u) {
  constexpr std::size_t kMostRows = 26;
  const outline::Outline& o = m.outline;
  WordTable out;
  out.columns = {{"size", false}};
  for (const WordColumn& c : length_columns(u)) out.columns.push_back(c);
  std::size_t left_out = 0;
  const auto add = [&](const std::string& name, const Dimension& d, bool seen) {
    if (out.rows.size() == kMostRows) {
      ++left_out;
      return;
    }
    out.rows.push_back({name + (seen ? "" : ", not seen")});
    add_length(out.rows.back(), d, u);
  };
  add("long side", o.long_mm, true);
  add("short side", o.short_mm, true);
  for (std::size_t i = 0; i < o.diagonals_mm.size(); ++i) {
    add("diagonal " + std::to_string(i + 1), o.diagonals_mm[i], true);
  }
  for (const bool corner : {false, true}) {
    for (const outline::Piece& p : o.pieces) {
      const Dimension& d = corner ? p.radius : p.length_mm;
      if (p.corner != corner || !(d.value > 0)) continue;
      add(clean(p.name, 24) + (corner ? ", radius" : ""), d, p.seen);
    }
  }
  if (left_out > 0) {
    out.rows.push_back({std::to_string(left_out) + " more in the file", "", "", "", "", ""});
  }
  return out;
}

std::string pane_caption(const JobPane& pane) {
  std::string out = boundary_words(pane.measured.boundary);
  const std::string photo = clean(pane.measured.photo_name, 100);
  if (!photo.empty()) out += ", from " + photo;
  const outline::Outline& o = pane.measured.outline;
  if (o.seen_fraction < 1) {
    out += ", " + fixed(100 * o.seen_fraction, 1) + " % seen; dashes were not";
  }
  return out;
}

std::vector<std::string> pane_doubts(const JobPane& pane) {
  std::vector<std::string> out;
  if (!pane.photo) out.push_back(on_paper(pane.no_photo, kLongestSentence));
  for (const Finding& f : pane.measured.warnings) {
    out.push_back(on_paper(f.text, kLongestSentence) + " [" + clean(f.code, 40) + "]");
  }
  return out;
}

std::string piece_sizes(const film::FilmPiece& piece, Units u) {
  const Units other = u == Units::mm ? Units::inch : Units::mm;
  return say_piece_size(piece, u) + " (" + say_piece_size(piece, other) + ")";
}

std::vector<std::string> piece_words(const Job& job, const film::FilmPiece& piece, Units u) {
  std::vector<std::string> out;
  out.push_back(say_piece_area(piece, u) + ", " + say_along(piece) +
                (piece.copies > 1 ? ", " + std::to_string(piece.copies) + " copies" : ""));
  if (!piece.film.empty()) out.push_back("Film: " + clean(piece.film, kLongestName) + ".");
  const auto is_twin = [&](const film::LaidPiece& p) { return p.name == piece.name + ", twin"; };
  if (job.layout && std::any_of(job.layout->pieces.begin(), job.layout->pieces.end(), is_twin)) {
    out.emplace_back("Its mirrored twin, for the vehicle's other side, is cut as well.");
  }
  constexpr std::size_t kMostSides = 16;
  std::string sides;
  const std::vector<report::PieceSideWords> words = side_words(piece, u);
  for (std::size_t k = 0; k < std::min(words.size(), kMostSides); ++k) {
    const report::PieceSideWords& w = words[k];
    sides += (k == 0 ? "" : "; ") + w.name + " " + w.allowance;
    if (w.added != "-") sides += " (" + w.added + " of it for U95)";
  }
  if (words.size() > kMostSides) {
    sides += "; " + std::to_string(words.size() - kMostSides) + " more in the piece's file";
  }
  if (!sides.empty()) {
    out.push_back("Allowances in " + length_unit(u) + ", + outwards: " + sides + ".");
  }
  for (const Finding& f : piece.findings) out.push_back("! " + on_paper(f.text, kLongestSentence));
  return out;
}

WordTable film_table(const film::FilmLayout& layout, std::size_t index, Units u) {
  const film::FilmStrip& strip = layout.strips[index];
  WordTable out;
  out.columns = {{layout.strips.size() > 1 ? "strip " + std::to_string(index + 1) : "film", false},
                 {say_film(strip.film, u) + (strip.film.leftover ? ", a leftover" : ""), false}};
  out.rows.push_back({"used", say_film_length(strip.length_mm, u)});
  if (strip.cost > 0) out.rows.push_back({"costs", say_cost(strip.cost, layout.currency)});
  out.rows.push_back({"waste", say_waste(strip, u)});
  const std::string rest = say_rest(strip, u);
  if (!rest.empty()) out.rows.push_back({"back to stock", rest});
  out.rows.push_back({"least possible", say_bound(strip, u)});
  return out;
}

std::vector<std::string> film_doubts(const film::FilmStrip& strip) {
  std::vector<std::string> out;
  for (const Finding& f : strip.findings) out.push_back(on_paper(f.text, kLongestSentence));
  return out;
}

WordTable cut_table(const film::FilmLayout& layout, const film::FilmStrip& strip, Units u) {
  struct Cut {
    std::size_t copy = 0;
    Extent at;
  };
  std::vector<Cut> cuts;
  for (std::size_t k = 0; k < strip.copies.size(); ++k) {
    cuts.push_back(
        {k, extent_of(film::CutPath{film::CutKind::cut, strip.copies[k].arcs, true, "", -1})});
  }
  std::stable_sort(cuts.begin(), cuts.end(),
                   [](const Cut& a, const Cut& b) { return a.at.high.x < b.at.high.x; });
  const auto said = [u](double mm) { return u == Units::mm ? fixed(mm, 0) : fixed(mm / 25.4, 1); };
  WordTable out;
  out.columns = {{"cut"},
                 {"number"},
                 {"piece", false},
                 {"copy"},
                 {"from, " + length_unit(u)},
                 {"to, " + length_unit(u)},
                 {"turned"},
                 {"", false}};
  for (std::size_t k = 0; k < cuts.size(); ++k) {
    const film::LaidCopy& copy = strip.copies[cuts[k].copy];
    const film::LaidPiece& piece = layout.pieces[copy.piece];
    out.rows.push_back({std::to_string(k + 1), std::to_string(copy.piece + 1),
                        clean(piece.name, kLongestName),
                        std::to_string(copy.copy) + " of " + std::to_string(piece.copies),
                        said(cuts[k].at.low.x), said(cuts[k].at.high.x),
                        fixed(copy.turn_deg, 0) + "\u00b0", copy.mirrored ? "mirrored" : ""});
  }
  return out;
}

WordTable light_table(const JobLight& light) {
  WordTable out;
  out.columns = {{"light that passes", false}, {"share"}, {"", false, true}};
  add_share(out, "glass alone", light.glass);
  add_share(out, "film alone", light.film);
  add_share(out, "both, the product  t = t1 \u00b7 t2", light.product);
  if (light.with_gap) {
    add_share(out, "both, two layers  t = t1 \u00b7 t2 / (1 \u2212 r1\u2032 \u00b7 r2)",
              *light.with_gap);
  }
  if (light.glued) add_share(out, "both, film glued to the glass", *light.glued);
  return out;
}

std::vector<std::string> light_words(const JobLight& light) {
  std::vector<std::string> out;
  out.emplace_back(
      "An estimate. Local law decides which panes may carry film and how much light has to pass; a "
      "meter on the finished pane measures it.");
  out.emplace_back(
      "The product neglects what the layers reflect to each other: common practice, and never more "
      "than passes in truth.");
  if (light.with_gap) {
    out.emplace_back(
        "The two-layer formula of ISO 9050 and EN 410 takes that in, for layers with air between.");
  }
  if (light.glued) {
    out.emplace_back(
        std::string("Glued film has two faces to air less than film and glass measured apart") +
        (light.reflectances_given ? "." : "; plain, not metallised layers are assumed."));
  }
  if (light.glass.rounded || light.film.rounded) {
    out.emplace_back(
        "\u00b1 (95 %, k = 2) holds the rounding of the figures as written, and no more: a nominal "
        "value can be off by more than that.");
  }
  return out;
}

std::vector<std::string> order_of_work() {
  return lines_of(
      "Look each pane over before any film is cut: chips, cracks, old film, heating lines, "
      "aerials, sensors. Note what was there before.\n"
      "Meter the bare glass and hold the planned film against local law.\n"
      "Check two sizes of each pane with a tape against this sheet.\n"
      "Cover trim, seats and switches against water; take off what the notes name.\n"
      "Cut the pieces in the order given, and write each one's name on its liner.\n"
      "Clean and shape on the outside of the glass where it is bent; cut nothing on the glass that "
      "can be cut on the table.\n"
      "Clean the inside twice, the seals as well, then fit: fixed and small panes first, door "
      "glass next, the rear pane last.\n"
      "Leave the windows up until the film has dried, as its maker says.\n"
      "Meter the finished panes and write it down.\n");
}

std::vector<std::string> cautions() {
  return lines_of(
      "A sharp blade on or near glass slips. Cut away from yourself, keep the other hand behind "
      "the blade, retract it when it is not in use.\n"
      "Do not film a cracked pane. Broken glass needs gloves and eye protection.\n"
      "Heating lines, aerials and seals are cut through as easily as film: never trim across "
      "them.\n"
      "Keep film, tools and water away from airbags, cameras and their wiring.\n"
      "Film on some panes is restricted or forbidden. That differs from place to place: the law "
      "where the vehicle is used decides.\n");
}

}  // namespace panecard::drawings
