#include "app/roll_job.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "app/cut_files.h"

namespace panecard::app {
namespace {

using formats::StoredPiece;

constexpr int kMostCopiesInAll = 1900;
constexpr double kLeastWidth_mm = 10, kMostWidth_mm = 5000, kEndless_mm = 50000;

std::vector<double> turns_of(const std::string& along) {
  if (along == "level") return {0, 180};
  if (along == "upright") return {90, 270};
  return {0, 90, 180, 270};
}

Result<std::vector<StoredPiece>> pieces_in(const std::vector<std::string>& files) {
  std::vector<StoredPiece> out;
  for (const std::string& file : files) {
    auto piece = formats::read_piece(file);
    if (!piece.ok()) return piece.error();
    out.push_back(std::move(piece).value());
    const std::string name = out.back().name;
    for (int k = 2;; ++k) {
      const auto named = [&](const StoredPiece& p) { return p.name == out.back().name; };
      if (std::none_of(out.begin(), out.end() - 1, named)) break;
      out.back().name = name + " (" + std::to_string(k) + ")";
    }
  }
  return out;
}

std::string names_of(const std::vector<StoredPiece>& pieces) {
  std::string out;
  for (const StoredPiece& p : pieces) out += (out.empty() ? "" : ", ") + p.name;
  return out;
}

Result<std::size_t> piece_called(const std::string& option, const std::string& name,
                                 const std::vector<StoredPiece>& pieces) {
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
  if (count >= 1 && count <= formats::kMostCopies) return count;
  return Error{Code::bad_usage, "--copies '" + text + "': give 1 to " +
                                    std::to_string(formats::kMostCopies) +
                                    ", or a piece's, as \"front left=2\""};
}

Outcome set_copies(const std::vector<std::string>& words, std::vector<StoredPiece>& pieces) {
  for (const bool for_all : {true, false}) {  // what is said of one piece goes before what of all
    for (const std::string& text : words) {
      const std::size_t equals = text.rfind('=');
      const std::string name = equals == std::string::npos ? "all" : text.substr(0, equals);
      if ((name == "all") != for_all) continue;
      const auto count = count_in(equals == std::string::npos ? text : text.substr(equals + 1));
      if (!count.ok()) return count.error();
      if (for_all) {
        for (StoredPiece& p : pieces) p.copies = count.value();
        continue;
      }
      const auto which = piece_called("--copies", name, pieces);
      if (!which.ok()) return which.error();
      pieces[which.value()].copies = count.value();
    }
  }
  return std::nullopt;
}

Outcome add_twins(const std::vector<std::string>& words, std::vector<StoredPiece>& pieces) {
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
  std::vector<StoredPiece> out;
  out.reserve(2 * pieces.size());
  for (std::size_t k = 0; k < pieces.size(); ++k) {
    out.push_back(pieces[k]);
    if (!wanted[k]) continue;
    out.push_back(formats::twin_of(pieces[k]));
    out.back().name += ", twin";
  }
  pieces = std::move(out);
  return std::nullopt;
}

std::vector<layout::Item> items_of(const std::vector<StoredPiece>& pieces) {
  std::vector<layout::Item> out;
  out.reserve(pieces.size());
  for (const StoredPiece& p : pieces) {
    out.push_back({p.name, formats::shape_of(p), turns_of(p.along), p.may_mirror, p.copies});
  }
  return out;
}

Outcome choose_films(const RollWords& words, RollJob& job) {
  std::string kinds, names;
  const std::vector<layout::Film>& films = job.stock.films;
  for (std::size_t k = 0; k < films.size(); ++k) {
    const bool film_ok = words.film.empty() || films[k].kind == words.film;
    const bool from_ok = words.from.empty() || films[k].name == words.from;
    if (film_ok && from_ok) job.films.push_back(k);
    names += (names.empty() ? "" : ", ") + films[k].name;
    if (kinds.find("'" + films[k].kind + "'") == std::string::npos) {
      kinds += (kinds.empty() ? "'" : ", '") + films[k].kind + "'";
    }
  }
  if (job.films.empty()) {
    const bool by_film = !words.film.empty();
    return Error{Code::bad_usage,
                 "the stock has no " + (by_film ? "film '" + words.film + "'" : "") +
                     (words.from.empty() ? "" : " under the name '" + words.from + "'") +
                     "; it has " + (words.from.empty() ? kinds : names)};
  }
  for (const std::size_t k : job.films) {
    if (films[k].kind == films[job.films.front()].kind) continue;
    return Error{Code::bad_usage,
                 "the stock holds more than one film; say which with --film: " + kinds};
  }
  return std::nullopt;
}

Outcome add_films(const RollWords& words, RollJob& job) {
  if (words.width.empty() == words.stock.empty()) {
    return Error{Code::bad_usage, "give the film: either --width 40in or --stock stock.json"};
  }
  if (!words.stock.empty()) {
    auto stock = formats::read_stock(words.stock);
    if (!stock.ok()) return stock.error();
    job.stock = std::move(stock).value();
    return choose_films(words, job);
  }
  const auto width = length_within("--width", words.width, kLeastWidth_mm, kMostWidth_mm);
  if (!width.ok()) return width.error();
  layout::Film film;
  film.name = "roll";
  film.kind = words.film;
  film.width_mm = width.value();
  film.length_mm = kEndless_mm;
  job.stock.films = {film};
  job.films = {0};
  job.endless = true;
  return std::nullopt;
}

/// Across the film, the narrowest that its directions allow.
double narrowest(const StoredPiece& piece) {
  const formats::LaidPiece size = formats::laid(piece);
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
  if (auto failed = add_twins(words.twins, job.pieces)) return *failed;
  int copies = 0;
  for (const StoredPiece& p : job.pieces) copies += p.copies;
  if (copies > kMostCopiesInAll) {
    return Error{Code::too_large, std::to_string(copies) + " pieces in all; lay at most " +
                                      std::to_string(kMostCopiesInAll) + " at a time"};
  }
  if (auto failed = add_films(words, job)) return *failed;
  job.items = items_of(job.pieces);
  return job;
}

Error no_film_will_do(const RollJob& job, double edge_mm,
                      const std::vector<layout::Refused>& refused) {
  const std::vector<layout::Film>& films = job.stock.films;
  const StoredPiece* widest = &job.pieces.front();
  for (const StoredPiece& p : job.pieces) {
    if (narrowest(p) > narrowest(*widest)) widest = &p;
  }
  const double needed = narrowest(*widest) + 2 * edge_mm;
  std::size_t best = job.films.front();
  for (const std::size_t k : job.films) {
    if (films[k].width_mm > films[best].width_mm) best = k;
  }
  if (needed > films[best].width_mm) {
    return {Code::does_not_fit, "'" + widest->name + "' needs film " + to_text(needed, 1) +
                                    " mm wide, " + to_text(needed - films[best].width_mm, 1) +
                                    " mm more than " + films[best].name + " has; " +
                                    width_that_would_do(needed)};
  }
  for (const layout::Refused& r : refused) {
    if (job.films[r.film] == best) {
      return {Code::does_not_fit,
              films[best].name + ": " + r.why + "; choose another film or lay fewer pieces"};
    }
  }
  return {Code::does_not_fit, "no film will do; lay fewer pieces"};
}

}  // namespace panecard::app
