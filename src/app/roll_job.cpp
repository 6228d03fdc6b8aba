#include "app/roll_job.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "app/cut_files.h"
#include "film/film.h"
#include "records/records.h"

namespace panecard::app {
namespace {

using film::FilmPiece;

constexpr int kMostCopiesInAll = 1900;
constexpr double kLeastWidth_mm = 10, kMostWidth_mm = 5000, kEndless_mm = 50000;

std::vector<double> turns_of(const std::string& along) {
  if (along == "level") return {0, 180};
  if (along == "upright") return {90, 270};
  return {0, 90, 180, 270};
}

Result<std::vector<FilmPiece>> pieces_in(const std::vector<std::string>& files) {
  std::vector<FilmPiece> out;
  for (const std::string& file : files) {
    auto piece = records::read_piece(file);
    if (!piece.ok()) return piece.error();
    out.push_back(std::move(piece).value());
    const std::string name = out.back().name;
    for (int k = 2;; ++k) {
      const auto named = [&](const FilmPiece& p) { return p.name == out.back().name; };
      if (std::none_of(out.begin(), out.end() - 1, named)) break;
      out.back().name = name + " (" + std::to_string(k) + ")";
    }
  }
  return out;
}

std::string names_of(const std::vector<FilmPiece>& pieces) {
  std::string out;
  for (const FilmPiece& p : pieces) out += (out.empty() ? "" : ", ") + p.name;
  return out;
}

Result<std::size_t> piece_called(const std::string& option, const std::string& name,
                                 const std::vector<FilmPiece>& pieces) {
  for (std::size_t k = 0; k < pieces.size(); ++k) {
    if (pieces[k].name == name) return k;
  }
  return Error{Code::bad_usage, option + ": no piece is called '" + name + "'; there are " +
                                    names_of(pieces) + ", and all"};
}

Result<int> count_in(const std::string& text) {
  const bool digits = !text.empty() && text.size() <= 4 &&
                      text.find_first_not_of("0123456789") == std::string::npos;
  const int count = digits ? std::stoi(text) : 0;
  if (count >= 1 && count <= film::kMostCopies) return count;
  return Error{Code::bad_usage, "--copies '" + text + "': give 1 to " +
                                    std::to_string(film::kMostCopies) +
                                    ", or a piece's, as \"front left=2\""};
}

Outcome set_copies(const std::vector<std::string>& words, std::vector<FilmPiece>& pieces) {
  for (const bool for_all : {true, false}) {  // what is said of one piece goes before what of all
    for (const std::string& text : words) {
      const std::size_t equals = text.rfind('=');
      const std::string name = equals == std::string::npos ? "all" : text.substr(0, equals);
      if ((name == "all") != for_all) continue;
      const auto count = count_in(equals == std::string::npos ? text : text.substr(equals + 1));
      if (!count.ok()) return count.error();
      if (for_all) {
        for (FilmPiece& p : pieces) p.copies = count.value();
        continue;
      }
      const auto which = piece_called("--copies", name, pieces);
      if (!which.ok()) return which.error();
      pieces[which.value()].copies = count.value();
    }
  }
  return std::nullopt;
}

Outcome add_twins(const std::vector<std::string>& words, std::vector<FilmPiece>& pieces) {
  std::vector<bool> wanted(pieces.size(), false);
  for (const std::string& name : words) {
    if (name == "all") {
      wanted.assign(pieces.size(), true);
      continue;
    }
    const auto which = piece_called("--twin", name, pieces);
    if (!which.ok()) return which.error();
    wanted[which.value()] = true;
  }
  std::vector<FilmPiece> out;
  out.reserve(2 * pieces.size());
  for (std::size_t k = 0; k < pieces.size(); ++k) {
    out.push_back(pieces[k]);
    if (!wanted[k]) continue;
    out.push_back(film::twin_of(pieces[k]));
    out.back().name += ", twin";
  }
  pieces = std::move(out);
  return std::nullopt;
}

Outcome set_films(const std::vector<std::string>& words, std::vector<FilmPiece>& pieces) {
  for (const bool for_all : {true, false}) {
    for (const std::string& text : words) {
      const std::size_t equals = text.rfind('=');
      if ((equals == std::string::npos) != for_all) continue;
      if (for_all) {
        for (FilmPiece& p : pieces) p.film = text;
        continue;
      }
      const auto which = piece_called("--film", text.substr(0, equals), pieces);
      if (!which.ok()) return which.error();
      pieces[which.value()].film = text.substr(equals + 1);
    }
  }
  return std::nullopt;
}

/// "'carbon 35', 'clear 70'"
std::string kinds_in(const std::vector<layout::Film>& films) {
  std::string out;
  for (const layout::Film& f : films) {
    const std::string kind = "'" + f.kind + "'";
    if (out.find(kind) == std::string::npos) out += (out.empty() ? "" : ", ") + kind;
  }
  return out;
}

/// What the stock has of a film; of any where none is said.
Result<std::vector<std::size_t>> films_of(const std::string& kind, const std::string& from,
                                          const std::vector<layout::Film>& films) {
  std::vector<std::size_t> out;
  std::string names;
  for (std::size_t k = 0; k < films.size(); ++k) {
    const bool film_ok = kind.empty() || films[k].kind == kind;
    const bool from_ok = from.empty() || films[k].name == from;
    if (film_ok && from_ok) out.push_back(k);
    names += (names.empty() ? "" : ", ") + films[k].name;
  }
  if (out.empty()) {
    return Error{Code::bad_usage, "the stock has no " +
                                      (kind.empty() ? "" : "film '" + kind + "'") +
                                      (from.empty() ? "" : " under the name '" + from + "'") +
                                      "; it has " + (from.empty() ? kinds_in(films) : names)};
  }
  for (const std::size_t k : out) {
    if (films[k].kind == films[out.front()].kind) continue;
    return Error{Code::bad_usage,
                 "the stock holds more than one film; say which with --film: " + kinds_in(films)};
  }
  return out;
}

Outcome add_stock(const RollWords& words, RollJob& job) {
  if (words.width.empty() == words.stock.empty()) {
    return Error{Code::bad_usage, "give the film: either --width 40in or --stock stock.json"};
  }
  if (!words.stock.empty()) {
    auto stock = records::read_stock(words.stock);
    if (!stock.ok()) return stock.error();
    job.stock = std::move(stock).value();
    return std::nullopt;
  }
  const auto width = length_within("--width", words.width, kLeastWidth_mm, kMostWidth_mm);
  if (!width.ok()) return width.error();
  for (const FilmPiece& p : job.pieces) {
    const auto same = [&](const layout::Film& f) { return f.kind == p.film; };
    if (std::any_of(job.stock.films.begin(), job.stock.films.end(), same)) continue;
    job.stock.films.push_back({"roll", p.film, width.value(), kEndless_mm, 0, false});
  }
  job.endless = true;
  return std::nullopt;
}

/// A film that is not named is one as well.
Result<std::vector<std::size_t>> endless_of(const std::string& kind,
                                            const std::vector<layout::Film>& films) {
  const auto found = std::find_if(films.begin(), films.end(),
                                  [&](const layout::Film& f) { return f.kind == kind; });
  return std::vector<std::size_t>{static_cast<std::size_t>(found - films.begin())};
}

/// Each film's pieces together; what is not said is settled by a stock of one film.
Outcome divide(const RollWords& words, RollJob& job) {
  for (std::size_t k = 0; k < job.pieces.size(); ++k) {
    const FilmPiece& p = job.pieces[k];
    const auto films = job.endless ? endless_of(p.film, job.stock.films)
                                   : films_of(p.film, words.from, job.stock.films);
    if (!films.ok()) return films.error();
    auto part = std::find_if(job.parts.begin(), job.parts.end(),
                             [&](const FilmJob& f) { return f.films == films.value(); });
    if (part == job.parts.end()) {
      job.parts.push_back({{}, {}, films.value()});
      part = job.parts.end() - 1;
    }
    part->pieces.push_back(k);
    part->items.push_back({p.name, film::shape_of(p), turns_of(p.along), p.may_mirror, p.copies});
  }
  return std::nullopt;
}

/// Across the film, the narrowest that its directions allow.
double narrowest(const FilmPiece& piece) {
  const film::LaidPiece size = film::laid(piece);
  if (piece.along == "level") return size.upright_mm;
  if (piece.along == "upright") return size.level_mm;
  return std::min(size.level_mm, size.upright_mm);
}

std::string width_that_would_do(double least_mm) {
  // 20 to 72 in, the widths most film comes in (common practice).
  constexpr std::array<int, 7> kCommon_mm = {508, 610, 914, 1016, 1219, 1524, 1829};
  for (const int width : kCommon_mm) {
    if (width >= least_mm) {
      return "film " + std::to_string(width) + " mm (" + to_text(width / 25.4, 0) +
             " in) wide would do";
    }
  }
  return "no common width would do; cut the piece in two";
}

}  // namespace

Result<RollJob> roll_job(const RollWords& words) {
  if (words.pieces.empty()) {
    return Error{Code::bad_usage,
                 "roll needs pieces: files of piece --json; see panecard roll --help"};
  }
  RollJob job;
  auto pieces = pieces_in(words.pieces);
  if (!pieces.ok()) return pieces.error();
  job.pieces = std::move(pieces).value();
  if (auto failed = set_copies(words.copies, job.pieces)) return *failed;
  if (auto failed = set_films(words.films, job.pieces)) return *failed;
  if (auto failed = add_twins(words.twins, job.pieces)) return *failed;
  int copies = 0;
  for (const FilmPiece& p : job.pieces) copies += p.copies;
  if (copies > kMostCopiesInAll) {
    return Error{Code::too_large, std::to_string(copies) + " pieces in all; lay at most " +
                                      std::to_string(kMostCopiesInAll) + " at a time"};
  }
  if (auto failed = add_stock(words, job)) return *failed;
  if (auto failed = divide(words, job)) return *failed;
  return job;
}

Error no_film_will_do(const RollJob& job, const FilmJob& part, double edge_mm,
                      const std::vector<layout::Refused>& refused) {
  const std::vector<layout::Film>& films = job.stock.films;
  const FilmPiece* widest = &job.pieces[part.pieces.front()];
  for (const std::size_t k : part.pieces) {
    if (narrowest(job.pieces[k]) > narrowest(*widest)) widest = &job.pieces[k];
  }
  const double needed = narrowest(*widest) + 2 * edge_mm;
  std::size_t best = part.films.front();
  for (const std::size_t k : part.films) {
    if (films[k].width_mm > films[best].width_mm) best = k;
  }
  if (needed > films[best].width_mm) {
    return {Code::does_not_fit, "'" + widest->name + "' needs film " + to_text(needed, 1) +
                                    " mm wide, " + to_text(needed - films[best].width_mm, 1) +
                                    " mm more than " + films[best].name + " has; " +
                                    width_that_would_do(needed)};
  }
  const char* const together =
      part.films.size() > 1 ? "; all rolls and leftovers of this film together do not either" : "";
  for (const layout::Refused& r : refused) {
    if (part.films[r.film] == best) {
      return {Code::does_not_fit, films[best].name + ": " + r.why + together +
                                      "; choose another film or lay fewer pieces"};
    }
  }
  return {Code::does_not_fit, "no film will do; lay fewer pieces"};
}

}  // namespace panecard::app
