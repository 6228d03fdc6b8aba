#include "layout/share.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <tuple>

namespace panecard::layout {
namespace {

/// How many copies of each item.
using Counts = std::vector<int>;

/// The part of the job that is cut from one film.
struct Part {
  std::size_t film = 0;
  Counts counts;
  Layout layout;
};
using Plan = std::vector<Part>;

/// Cost of the roll film used; leftovers count nothing.
struct Price {
  bool known = true;  ///< every roll states one
  double cost = 0, area_mm2 = 0;
};

class FilmPlanner {
 public:
  FilmPlanner(const std::vector<Item>& items, const std::vector<Film>& films,
              const Margins& margins, const Efforts& efforts)
      : items_(items), films_(films), margins_(margins), efforts_(efforts) {
    for (const Item& item : items) {
      all_copies_.push_back(item.copies);
      areas_.push_back(signed_area_mm2(item.shape));
    }
    for (std::size_t k = 0; k < films.size(); ++k) {
      (films[k].leftover ? leftovers_ : rolls_).push_back(k);
    }
    const auto size = [&](std::size_t k) { return films[k].width_mm * films[k].length_mm; };
    std::stable_sort(leftovers_.begin(), leftovers_.end(),
                     [&](std::size_t a, std::size_t b) { return size(a) < size(b); });
    const auto rank = [&](std::size_t k) { return std::tuple(per_area(k), films[k].length_mm); };
    std::stable_sort(rolls_.begin(), rolls_.end(),
                     [&](std::size_t a, std::size_t b) { return rank(a) < rank(b); });
  }

  /// Nothing: all films together are not enough.
  std::optional<Plan> best(const std::optional<Plan>& one_roll) {
    std::optional<Plan> plan = one_roll;
    if (!plan || plan->front().film != cheapest()) keep_cheaper(plan, fill_rolls(all_copies_));
    keep_cheaper(plan, fill_leftovers_first(plan));
    return plan;
  }

  /// Searches each strip again, all together for this share of the time that is left.
  void compress(Plan& plan, double share) const {
    for (std::size_t k = 0; k < plan.size(); ++k) {
      const auto layout = packed(plan[k].film, plan[k].counts,
                                 efforts_(share / static_cast<double>(plan.size() - k)));
      if (layout && layout->length_mm < plan[k].layout.length_mm) plan[k].layout = *layout;
    }
  }

 private:
  /// Rolls without a price come last, all alike.
  double per_area(std::size_t k) const {
    const Film& f = films_[k];
    return f.price_per_m > 0 ? f.price_per_m / f.width_mm : std::numeric_limits<double>::max();
  }

  /// By area; none where there is no roll.
  std::size_t cheapest() const { return rolls_.empty() ? films_.size() : rolls_.front(); }

  Price price_of(const Plan& plan) const {
    Price out;
    for (const Part& part : plan) {
      const Film& film = films_[part.film];
      if (film.leftover) continue;
      out.known = out.known && film.price_per_m > 0;
      out.cost += film.price_per_m * part.layout.length_mm;
      out.area_mm2 += film.width_mm * part.layout.length_mm;
    }
    return out;
  }

  /// Whether `plan` is cheaper by more than 1 %: searches of equal effort differ by nearly that.
  bool saves(const Plan& plan, const Plan& against) const {
    constexpr double kWorth = 0.01;
    const Price a = price_of(plan), b = price_of(against);
    const bool by_cost = a.known && b.known;
    return by_cost ? a.cost < (1 - kWorth) * b.cost : a.area_mm2 < (1 - kWorth) * b.area_mm2;
  }

  void keep_cheaper(std::optional<Plan>& plan, const std::optional<Plan>& other) const {
    if (other && (!plan || saves(*other, *plan))) plan = other;
  }

  /// These copies on that film. Nothing where they are too wide or too long for it.
  std::optional<Layout> packed(std::size_t film, const Counts& counts, const Effort& effort) const {
    std::vector<Item> items;
    std::vector<std::size_t> origin;
    for (std::size_t i = 0; i < items_.size(); ++i) {
      if (counts[i] == 0) continue;
      items.push_back(items_[i]);
      items.back().copies = counts[i];
      origin.push_back(i);
    }
    auto layout = pack(items, {films_[film].width_mm, margins_.gap_mm, margins_.edge_mm}, effort);
    if (!layout.ok() || layout->length_mm > films_[film].length_mm) return std::nullopt;
    Layout out = std::move(layout).value();
    for (Placed& p : out.placed) p.item = origin[p.item];
    return out;
  }

  /// The same with a brief search that ends at the first layout that fits the film.
  std::optional<Layout> fits_quickly(std::size_t film, const Counts& counts) {
    // There may be thousands of leftovers; a roll that is skipped may be the one that is needed.
    constexpr int kMostAtLeftovers = 150, kMostAtRolls = 1000;
    constexpr std::int64_t kMoves = 1500, kMovesPerCopy = 150;
    constexpr double kShare = 0.02;
    const bool leftover = films_[film].leftover;
    int& tries = leftover ? tries_on_leftovers_ : tries_on_rolls_;
    if (++tries > (leftover ? kMostAtLeftovers : kMostAtRolls)) return std::nullopt;
    Effort effort = efforts_(kShare);
    int copies = 0;
    for (const int n : counts) copies += n;
    effort.moves = std::min(effort.moves, kMoves + kMovesPerCopy * copies);
    bool enough = false;
    effort.shorter = [&](const Layout& l) {
      enough = enough || l.length_mm <= films_[film].length_mm;
    };
    effort.spent = [&enough, spent = effort.spent] { return enough ? 1 : spent ? spent() : 0; };
    return packed(film, counts, effort);
  }

  double area_of(const Counts& counts) const {
    double sum = 0;
    for (std::size_t i = 0; i < counts.size(); ++i) sum += counts[i] * areas_[i];
    return sum;
  }

  PointMm room_on(std::size_t film) const {
    return {films_[film].length_mm - 2 * margins_.edge_mm,
            films_[film].width_mm - 2 * margins_.edge_mm};
  }

  bool fits_size(std::size_t film, const Item& item) const {
    const PointMm room = room_on(film);
    return std::any_of(item.turns_deg.begin(), item.turns_deg.end(), [&](double turn) {
      PolygonMm shape = item.shape;
      for (PointMm& p : shape) p = turned(p, turn);
      const PointMm size = extent_of(shape).size();
      return size.x <= room.x && size.y <= room.y;
    });
  }

  /// The copies that fit the film by size, the largest first.
  std::vector<std::size_t> largest_first(std::size_t film, const Counts& left) const {
    std::vector<std::size_t> out;
    for (std::size_t i = 0; i < items_.size(); ++i) {
      if (left[i] > 0 && fits_size(film, items_[i])) {
        out.insert(out.end(), static_cast<std::size_t>(left[i]), i);
      }
    }
    std::stable_sort(out.begin(), out.end(),
                     [&](std::size_t a, std::size_t b) { return areas_[a] > areas_[b]; });
    return out;
  }

  /// As many of the largest copies as fit, by bisection; then each smaller one that still fits.
  std::optional<Part> greedy_fill(std::size_t film, const Counts& left) {
    constexpr int kMostTries = 40;
    const std::vector<std::size_t> line = largest_first(film, left);
    const double room = std::max(0.0, room_on(film).x) * std::max(0.0, room_on(film).y);
    Part part{film, Counts(items_.size(), 0), {}};
    const auto take = [&](const Counts& counts) {
      if (area_of(counts) > room) return false;
      const auto layout = fits_quickly(film, counts);
      if (!layout) return false;
      part.counts = counts;
      part.layout = *layout;
      return true;
    };
    const auto first = [&](std::size_t count) {
      Counts out(items_.size(), 0);
      for (std::size_t k = 0; k < count; ++k) ++out[line[k]];
      return out;
    };
    std::size_t low = 0, high = line.size();
    while (high > 0 && area_of(first(high)) > room) --high;
    for (std::size_t tried = high; low < high; tried = (low + high + 1) / 2) {
      if (take(first(tried))) {
        low = tried;
      } else {
        high = tried - 1;
      }
    }
    int tries = 0;
    for (std::size_t k = low; k < line.size() && tries < kMostTries; ++k) {
      Counts more = part.counts;
      ++more[line[k]];
      ++tries;
      if (take(more)) continue;
      while (k + 1 < line.size() && line[k + 1] == line[k]) ++k;  // its copies will not fit either
    }
    if (area_of(part.counts) == 0) return std::nullopt;
    return part;
  }

  static bool none(const Counts& counts) {
    return std::all_of(counts.begin(), counts.end(), [](int n) { return n == 0; });
  }
  static Counts sum(Counts a, const Counts& b, int sign) {
    for (std::size_t i = 0; i < a.size(); ++i) a[i] += sign * b[i];
    return a;
  }

  /// Fills one film after the other greedily; copies that no film takes stay in `left`.
  Plan fill_in_order(const std::vector<std::size_t>& films, Counts& left) {
    Plan out;
    for (const std::size_t film : films) {
      if (none(left)) break;
      const auto part = greedy_fill(film, left);
      if (!part) continue;
      left = sum(left, part->counts, -1);
      out.push_back(*part);
    }
    return out;
  }

  /// The rolls by price.
  std::optional<Plan> fill_rolls(Counts left) {
    Plan out = fill_in_order(rolls_, left);
    if (!none(left)) return std::nullopt;
    compress(out, 0.3);
    return out;
  }

  /// The cheapest single roll for these copies, or several.
  std::optional<Plan> on_rolls(const Counts& counts) {
    constexpr double kShare = 0.15;
    std::optional<Plan> out;
    for (const std::size_t film : rolls_) {
      if (out && !cheaper_by_area(film, out->front())) continue;
      auto layout = packed(film, counts, efforts_(kShare));
      if (!layout) continue;
      Plan plan = {{film, counts, std::move(*layout)}};
      if (!out || saves(plan, *out)) out = std::move(plan);
    }
    if (!out || out->front().film != cheapest()) keep_cheaper(out, fill_rolls(counts));
    return out;
  }

  /// Whether the pieces' area alone costs less on this film than the known plan.
  bool cheaper_by_area(std::size_t film, const Part& known) const {
    const Film& a = films_[film];
    const Film& b = films_[known.film];
    if (a.price_per_m <= 0) return b.price_per_m <= 0 && a.width_mm != b.width_mm;
    return area_of(known.counts) / a.width_mm * a.price_per_m <
           b.price_per_m * known.layout.length_mm;
  }

  /// Fills leftovers, the smallest first, then rolls. A leftover that hardly saves roll film is
  /// dropped again.
  std::optional<Plan> fill_leftovers_first(const std::optional<Plan>& without) {
    constexpr std::size_t kMostWeighed = 6;
    Counts left = all_copies_;
    Plan plan = fill_in_order(leftovers_, left);
    if (plan.empty()) return std::nullopt;
    if (none(left)) return plan;
    std::optional<Plan> rest = on_rolls(left);
    if (!rest) return std::nullopt;
    for (std::size_t k = plan.size(); k-- > 0 && plan.size() - k <= kMostWeighed;) {
      const Counts more = sum(left, plan[k].counts, 1);
      const std::optional<Plan> instead = plan.size() == 1 && without ? without : on_rolls(more);
      if (!instead || saves(*rest, *instead)) continue;
      left = more;
      rest = instead;
      plan.erase(plan.begin() + static_cast<std::ptrdiff_t>(k));
    }
    plan.insert(plan.end(), rest->begin(), rest->end());
    return plan;
  }

  const std::vector<Item>& items_;
  const std::vector<Film>& films_;
  const Margins& margins_;
  const Efforts& efforts_;
  Counts all_copies_;
  std::vector<double> areas_;
  std::vector<std::size_t> leftovers_;  ///< the smallest first
  std::vector<std::size_t> rolls_;      ///< by price for their area, then the shorter first
  int tries_on_leftovers_ = 0, tries_on_rolls_ = 0;
};

}  // namespace

std::vector<Offer> plan_strips(const std::vector<Item>& items, const std::vector<Film>& films,
                               const Margins& margins, const Efforts& efforts,
                               const std::vector<Offer>& single_film) {
  const bool on_one =
      !single_film.empty() && (films.size() == 1 || films[single_film.front().film].leftover);
  if (on_one || films.size() < 2) {
    return single_film.empty() ? std::vector<Offer>{} : std::vector<Offer>{single_film.front()};
  }
  FilmPlanner planner(items, films, margins, efforts);
  std::optional<Plan> one_roll;
  if (!single_film.empty()) {
    Counts all;
    for (const Item& item : items) all.push_back(item.copies);
    one_roll = Plan{{single_film.front().film, all, single_film.front().layout}};
  }
  std::optional<Plan> plan = planner.best(one_roll);
  if (!plan) return {};
  if (plan->size() == 1 && one_roll && plan->front().film == one_roll->front().film) {
    return {single_film.front()};
  }
  planner.compress(*plan, 1);
  std::vector<Offer> out;
  for (const Part& part : *plan) {
    out.push_back(offer_for(items, films[part.film], part.film, part.layout, margins));
  }
  return out;
}

}  // namespace panecard::layout
