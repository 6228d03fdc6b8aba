#include <algorithm>
#include <cmath>
#include <map>
#include <set>
#include <tuple>

#include "layout/share.h"

namespace panecard::layout {
namespace {

/// Rows of the raster that a shape's outline or inside touches, column by column.
class Raster {
 public:
  Raster(double length_mm, double width_mm, double step_mm)
      : columns_(static_cast<std::size_t>(length_mm / step_mm)),
        rows_(static_cast<std::size_t>(width_mm / step_mm)),
        step_(step_mm),
        taken_(columns_ * rows_, false) {}

  void take(const PolygonMm& shape, double gap_mm) {
    // Every cell within a cell's diagonal and the gap of the outline, then what lies inside.
    const double reach = gap_mm + step_;
    for (std::size_t i = 0; i < shape.size(); ++i) {
      const PointMm a = shape[i], b = shape[(i + 1) % shape.size()];
      const int parts = std::max(1, static_cast<int>(std::ceil(distance(a, b) / (step_ / 2))));
      for (int k = 0; k <= parts; ++k) {
        const PointMm p = a + (static_cast<double>(k) / parts) * (b - a);
        take_box(p.x - reach, p.x + reach, p.y - reach, p.y + reach);
      }
    }
    for (std::size_t c = 0; c < columns_; ++c) {
      const double x = (static_cast<double>(c) + 0.5) * step_;
      std::vector<double> crossings;
      for (std::size_t i = 0; i < shape.size(); ++i) {
        const PointMm a = shape[i], b = shape[(i + 1) % shape.size()];
        if ((a.x <= x) == (b.x <= x)) continue;
        crossings.push_back(a.y + (x - a.x) / (b.x - a.x) * (b.y - a.y));
      }
      std::sort(crossings.begin(), crossings.end());
      for (std::size_t k = 0; k + 1 < crossings.size(); k += 2) {
        take_box(x, x, crossings[k], crossings[k + 1]);
      }
    }
  }

  /// Largest rectangle of free cells (histogram and stack, column by column).
  Rectangle largest() const {
    Rectangle best;
    std::vector<std::size_t> free(rows_, 0);  // free cells up to and with this column, per row
    for (std::size_t c = 0; c < columns_; ++c) {
      for (std::size_t r = 0; r < rows_; ++r) free[r] = taken_[c * rows_ + r] ? 0 : free[r] + 1;
      std::vector<std::size_t> stack;
      for (std::size_t r = 0; r <= rows_; ++r) {
        const std::size_t here = r < rows_ ? free[r] : 0;
        while (!stack.empty() && free[stack.back()] >= here) {
          const std::size_t run = free[stack.back()];
          stack.pop_back();
          const std::size_t from = stack.empty() ? 0 : stack.back() + 1;
          offer(best, c + 1 - run, from, run, r - from);
        }
        stack.push_back(r);
      }
    }
    return best;
  }

 private:
  void take_box(double low_x, double high_x, double low_y, double high_y) {
    const auto cell = [&](double at, std::size_t count) {
      return static_cast<std::size_t>(
          std::clamp(std::floor(at / step_), 0.0, static_cast<double>(count)));
    };
    if (columns_ == 0 || rows_ == 0 || high_x < 0 || high_y < 0) return;
    for (std::size_t c = cell(low_x, columns_); c <= cell(high_x, columns_ - 1); ++c) {
      for (std::size_t r = cell(low_y, rows_); r <= cell(high_y, rows_ - 1); ++r) {
        taken_[c * rows_ + r] = true;
      }
    }
  }

  void offer(Rectangle& best, std::size_t column, std::size_t row, std::size_t columns,
             std::size_t rows) const {
    const double length = static_cast<double>(columns) * step_,
                 width = static_cast<double>(rows) * step_;
    if (length * width <= best.length_mm * best.width_mm) return;
    best = {{static_cast<double>(column) * step_, static_cast<double>(row) * step_}, length, width};
  }

  std::size_t columns_, rows_;
  double step_;
  std::vector<bool> taken_;
};

}  // namespace

Rectangle largest_free(const std::vector<PolygonMm>& shapes, double length_mm, double width_mm,
                       double gap_mm, double step_mm) {
  // A strip of any length is looked at in some thousand columns.
  constexpr double kMostColumns = 5000;
  Raster raster(length_mm, width_mm, std::max(step_mm, length_mm / kMostColumns));
  for (const PolygonMm& shape : shapes) raster.take(shape, gap_mm);
  return raster.largest();
}

Offer offer_for(const std::vector<Item>& items, const Film& film, std::size_t index,
                const Layout& layout, const Margins& margins) {
  constexpr double kStep_mm = 2, kMmPerM = 1000;
  Offer out;
  out.film = index;
  out.layout = layout;
  out.cost = layout.length_mm / kMmPerM * film.price_per_m;
  out.waste_mm2 = film.width_mm * layout.length_mm;
  out.rest = {
      {layout.length_mm, 0}, std::max(0.0, film.length_mm - layout.length_mm), film.width_mm};
  std::vector<PolygonMm> shapes;
  for (const Placed& p : layout.placed) {
    shapes.push_back(placed_shape(items[p.item], p));
    out.waste_mm2 -= signed_area_mm2(shapes.back());
  }
  const Rectangle within =
      largest_free(shapes, layout.length_mm, film.width_mm, margins.gap_mm, kStep_mm);
  if (std::min(within.length_mm, within.width_mm) >= margins.keep_mm) out.largest_within = within;
  return out;
}

Result<Choice> choose(const std::vector<Item>& items, const std::vector<Film>& films,
                      const Margins& margins, const Efforts& efforts) {
  Choice out;
  std::set<double> widths;
  for (const Film& film : films) widths.insert(film.width_mm);
  // Where several films may share the job, half of the time is for that.
  const std::size_t kept_back = films.size() > 1 ? widths.size() : 0;
  std::size_t to_come = widths.size();
  std::map<double, Result<Layout>> by_width;
  for (std::size_t k = 0; k < films.size(); ++k) {
    const Film& film = films[k];
    if (by_width.find(film.width_mm) == by_width.end()) {
      auto packed = pack(items, {film.width_mm, margins.gap_mm, margins.edge_mm},
                         efforts(1 / static_cast<double>(to_come-- + kept_back)));
      if (!packed.ok() && packed.error().code != Code::does_not_fit) return packed.error();
      by_width.emplace(film.width_mm, std::move(packed));
    }
    const Result<Layout>& layout = by_width.at(film.width_mm);
    if (!layout.ok()) {
      out.refused.push_back({k, layout.error().detail});
    } else if (layout->length_mm > film.length_mm) {
      out.refused.push_back({k, "the job takes " + to_text(layout->length_mm, 0) + " mm, " +
                                    to_text(film.length_mm, 0) + " mm are left, " +
                                    to_text(layout->length_mm - film.length_mm, 0) +
                                    " mm too few"});
    } else {
      out.offers.push_back(offer_for(items, film, k, layout.value(), margins));
    }
  }
  const auto rank = [&](const Offer& o) {
    const Film& f = films[o.film];
    const bool priced = !f.leftover && f.price_per_m > 0;
    return std::tuple(!f.leftover, !priced, priced ? o.cost : 0,
                      f.width_mm * (f.leftover ? f.length_mm : o.layout.length_mm));
  };
  std::stable_sort(out.offers.begin(), out.offers.end(),
                   [&](const Offer& a, const Offer& b) { return rank(a) < rank(b); });
  out.strips = plan_strips(items, films, margins, efforts, out.offers);
  return out;
}

}  // namespace panecard::layout
