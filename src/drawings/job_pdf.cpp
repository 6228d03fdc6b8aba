// The job sheet on office paper: what is needed first, then each pane, the pieces, the work.
#include <algorithm>
#include <array>

#include "drawings/job_pictures.h"
#include "drawings/job_words.h"
#include "drawings/layout_picture.h"
#include "drawings/style.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr double kMargin = 16, kFootRoom = 9;
constexpr double kBody = 2.8, kSmall = 2.5, kStep = 4.2, kCellGap = 3.2, kJoinedGap = 1;
constexpr std::size_t kMostLines = 40;  // of one paragraph

/// Pages that fill from the top; what does not fit any more begins the next one.
class Pages {
 public:
  Pages(const Job& job, Paper paper)
      : width_(paper == Paper::a4 ? 210 : 215.9),
        height_(paper == Paper::a4 ? 297 : 279.4),
        title_(job_title(job)),
        date_(clean(job.date, 40)) {
    begin();
  }

  const Ruler& ruler() const { return ruler_; }
  Sheet& sheet() { return pages_.back(); }
  double left() const { return kMargin; }
  double right() const { return width_ - kMargin; }
  double width() const { return width_ - 2 * kMargin; }
  double pictures() const { return height_ > 290 ? 56 : 50; }  ///< two panes go on a page
  double bottom() const { return height_ - kMargin - kFootRoom; }
  double y = 0;  ///< what is drawn next begins here

  /// Begins a page where less than this is left.
  void need(double height) {
    if (y + height > bottom() && y > kMargin) begin();
  }

  void heading(const std::string& words, double and_then) {
    if (y > kMargin) y += 5;
    need(8 + and_then);
    Path rule;
    rule.move({left(), y}).line({right(), y});
    Path accent;
    accent.move({left(), y}).line({left() + 14, y});
    sheet().stroke(rule, {style::kRule, 0.2});
    sheet().stroke(accent, {style::kAccent, 0.8});
    sheet().text({left(), y + 5.6}, words, {4, style::kInk, Anchor::start, true});
    y += 9;
  }

  std::vector<std::string> wrapped(const std::string& words, double size, double room) const {
    return wrap(words, kMostLines,
                [&](const std::string& s) { return ruler_.width_mm(s, size) <= room; });
  }

  /// A paragraph, with `mark` hanging before it.
  void paragraph(const std::string& words, const std::string& mark = "", bool quiet = false) {
    const double size = quiet ? kSmall : kBody, indent = mark.empty() ? 0 : 5;
    const Colour colour = quiet ? style::kQuiet : style::kInk;
    bool first = true;
    for (const std::string& line : wrapped(words, size, width() - indent)) {
      need(kStep);
      if (first && !mark.empty()) sheet().text({left(), y + 3}, mark, {size, colour});
      sheet().text({left() + indent, y + 3}, line, {size, colour});
      y += quiet ? 3.9 : kStep;
      first = false;
    }
    y += 0.8;
  }
  double height_of(const std::string& words, double room) const {
    return static_cast<double>(wrapped(words, kBody, room).size()) * kStep + 0.8;
  }

  std::string finish() {
    for (std::size_t k = 0; k < pages_.size(); ++k) {
      const double foot = height_ - kMargin;
      Sheet& page = pages_[k];
      page.text({left(), foot}, to_width(title_ + (date_.empty() ? "" : ", " + date_), 120),
                {kSmall, style::kQuiet});
      page.text({right(), foot},
                "page " + std::to_string(k + 1) + " of " + std::to_string(pages_.size()),
                {kSmall, style::kQuiet, Anchor::end});
    }
    return Sheet::pdf(pages_);
  }

  std::string to_width(std::string text, double room, double size = kSmall) const {
    std::size_t most = count_characters(text);
    while (most > 1 && ruler_.width_mm(text, size) > room) text = clean(text, --most);
    return text;
  }

 private:
  void begin() {
    pages_.emplace_back(width_, height_, "Job sheet, " + title_);
    y = kMargin;
  }

  double width_, height_;
  std::string title_, date_;
  Ruler ruler_;
  std::vector<Sheet> pages_;
};

/// A table that sets itself to a width: words left, numbers right, the first column takes the rest.
class Grid {
 public:
  Grid(const Pages& pages, const WordTable& table, double width) : pages_(pages), table_(table) {
    fit(width);
    // Wider than that, numbers would be hard to follow from row to row.
    constexpr double kWidest = 14;
    const auto gaps =
        static_cast<double>(std::count_if(table.columns.begin() + 1, table.columns.end(),
                                          [](const WordColumn& c) { return !c.joined; }));
    more_ = std::clamp((width - total()) / std::max(1.0, gaps), 0.0, kWidest - kCellGap);
  }
  double row_height() const { return 1.5 * size_; }

  void draw(Pages& pages, double left) const { draw(pages, left, 0, table_.rows.size()); }
  /// Rows from `first` to before `last`.
  void draw(Pages& pages, double left, std::size_t first, std::size_t last) const {
    head(pages, left);
    for (std::size_t r = first; r < last; ++r) {
      const std::vector<std::string>& row = table_.rows[r];
      const double before = pages.y;
      // No row stands alone on the next page.
      pages.need((last - r == 2 ? 2 : 1) * row_height());
      if (pages.y < before) head(pages, left);
      pages.y += row_height();
      double x = left;
      for (std::size_t k = 0; k < row.size(); ++k) {
        x += gap(k);
        put(pages, x, k, row[k], style::kInk);
        x += widths_[k];
      }
    }
    pages.y += 2;
  }
  double height_of(std::size_t rows) const {
    return (static_cast<double>(rows) + 1) * row_height() + 3.1;
  }

 private:
  double gap(std::size_t k) const {
    if (k == 0) return 0;
    return table_.columns[k].joined ? kJoinedGap : kCellGap + more_;
  }
  double total() const {
    double sum = 0;
    for (std::size_t k = 0; k < widths_.size(); ++k) {
      sum += widths_[k] + (k == 0 ? 0 : table_.columns[k].joined ? kJoinedGap : kCellGap);
    }
    return sum;
  }
  /// Smaller first; names are cut short only where that does not help.
  void fit(double width) {
    for (const double widest : {1e9, 70.0, 40.0}) {
      for (size_ = kBody; size_ > 2.1; size_ -= 0.1) {
        measure(widest);
        if (total() <= width) return;
      }
    }
  }
  void measure(double widest) {
    widths_.assign(table_.columns.size(), 0);
    for (std::size_t k = 0; k < widths_.size(); ++k) {
      const auto widen = [&](const std::string& s) {
        widths_[k] = std::max(widths_[k], pages_.ruler().width_mm(s, size_));
      };
      widen(table_.columns[k].head);
      for (const std::vector<std::string>& row : table_.rows) {
        if (k < row.size()) widen(row[k]);
      }
      widths_[k] = std::min(widths_[k], widest);
    }
  }
  void put(Pages& pages, double x, std::size_t k, const std::string& words, Colour colour) const {
    const bool right = table_.columns[k].right;
    pages.sheet().text({right ? x + widths_[k] : x, pages.y},
                       pages_.to_width(words, widths_[k] + 0.1, size_),
                       {size_, colour, right ? Anchor::end : Anchor::start});
  }
  void head(Pages& pages, double left) const {
    pages.y += row_height();
    double x = left;
    for (std::size_t k = 0; k < table_.columns.size(); ++k) {
      x += gap(k);
      put(pages, x, k, table_.columns[k].head, style::kQuiet);
      x += widths_[k];
    }
    Path rule;
    rule.move({left, pages.y + 1.1}).line({x, pages.y + 1.1});
    pages.sheet().stroke(rule, {style::kRule, 0.2});
    pages.y += 1.1;
  }

  const Pages& pages_;
  const WordTable& table_;
  double size_ = kBody, more_ = 0;
  std::vector<double> widths_;
};

void draw_head(Pages& pages, const Job& job) {
  constexpr double kTitle = 6.5;
  Sheet& sheet = pages.sheet();
  sheet.text({pages.left(), pages.y + 3}, "Job sheet", {kBody, style::kQuiet});
  sheet.text({pages.right(), pages.y + 3}, clean(job.date, 40),
             {kBody, style::kQuiet, Anchor::end});
  pages.y += 4;
  const auto fits = [&](const std::string& s) {
    return pages.ruler().width_mm(s, kTitle, true) <= pages.width();
  };
  for (const std::string& line : wrap(job_title(job), 3, fits)) {
    pages.y += 8;
    sheet.text({pages.left(), pages.y}, line, {kTitle, style::kInk, Anchor::start, true});
  }
  pages.y += 3;
}

void draw_summary(Pages& pages, const Job& job, Units u) {
  if (!job.panes.empty()) {
    pages.heading("Panes", 30);
    const WordTable table = pane_table(job, u);
    Grid(pages, table, pages.width()).draw(pages, pages.left());
    pages.paragraph(
        "Sides of the smallest enclosing rectangle, \u00b1 U95 (95 %, k = 2). The nearest 1/16 in "
        "can be off by another 0.8 mm.",
        "", true);
  }
  if (job.layout) {
    pages.heading("Film needed", 30);
    for (std::size_t k = 0; k < job.layout->strips.size(); ++k) {
      const WordTable table = film_table(*job.layout, k, u);
      Grid(pages, table, pages.width()).draw(pages, pages.left());
      for (const std::string& words : film_doubts(job.layout->strips[k])) {
        pages.paragraph(words, "!");
      }
    }
    const std::string cost = say_cost_in_all(*job.layout);
    if (!cost.empty()) pages.paragraph("All strips together: " + cost);
  }
  if (!job.notes.empty()) {
    pages.heading("Notes", 8);
    for (const std::string& note : job.notes) pages.paragraph(clean(note, 2000), "\u2022");
  }
  if (job.light) {
    pages.heading("Light through film and glass", 50);
    const WordTable table = light_table(*job.light);
    Grid(pages, table, pages.width()).draw(pages, pages.left());
    for (const std::string& words : light_words(*job.light)) pages.paragraph(words, "", true);
    pages.paragraph("Metered: bare glass ________ %, finished ________ %");
  }
}

constexpr double kPaneHead = 13;

/// Photo and drawing side by side, the sizes below in two halves.
void draw_pane_block(Pages& pages, const JobPane& pane, Units u) {
  constexpr double kGap = 8;
  const double half = (pages.width() - kGap) / 2, second = pages.left() + half + kGap;
  const WordTable sizes = size_table(pane.measured, u);
  const Grid grid(pages, sizes, half);
  const std::size_t upper = (sizes.rows.size() + 1) / 2;
  const std::vector<std::string> doubts = pane_doubts(pane);
  const std::string verdict = on_paper(pane.measured.verdict, 600);
  // Doubts may go over to the next page, so that a long list of them leaves no page half empty.
  double height = kPaneHead + pages.pictures() + grid.height_of(upper);
  height += pages.height_of(doubts.empty() ? verdict : doubts.front(), pages.width() - 5);
  pages.need(std::min(height, pages.bottom() - kMargin));
  pages.sheet().text({pages.left(), pages.y + 4}, pages.to_width(clean(pane.name, 80), 90, 3.4),
                     {3.4, style::kInk, Anchor::start, true});
  pages.sheet().text({pages.left(), pages.y + 8.2},
                     pages.to_width(pane_caption(pane), pages.width()), {kSmall, style::kQuiet});
  pages.y += 10.5;
  PageBox drawing{{pages.left(), pages.y}, half, pages.pictures()};
  if (pane.photo) {
    place_photo(pages.sheet(), drawing, *pane.photo);
    drawing.top_left.x = second;
  }
  const double one_to = draw_pane(pages.sheet(), pages.ruler(), drawing, pane.measured, u);
  pages.sheet().text(drawing.top_left + PagePoint{half, pages.pictures() - 0.8},
                     "1 : " + to_text(one_to, 1), {2.4, style::kQuiet, Anchor::end});
  pages.y += pages.pictures();
  const double top = pages.y;
  grid.draw(pages, second, upper, sizes.rows.size());
  pages.y = top;
  grid.draw(pages, pages.left(), 0, upper);
  for (const std::string& words : doubts) pages.paragraph(words, "!");
  pages.paragraph(verdict, "", true);
  pages.y += 1.5;
}

void draw_panes(Pages& pages, const Job& job, Units u) {
  if (job.panes.empty()) return;
  pages.heading("Pane by pane", kPaneHead + pages.pictures() + 40);
  for (const JobPane& pane : job.panes) draw_pane_block(pages, pane, u);
}

struct PieceCell {
  std::vector<std::string> lines;
  double height = 0;
};

PieceCell cell_of(const Pages& pages, const Job& job, const film::FilmPiece& piece, double width,
                  Units u) {
  PieceCell out;
  for (const std::string& words : piece_words(job, piece, u)) {
    const std::vector<std::string> lines = pages.wrapped(words, kSmall, width);
    out.lines.insert(out.lines.end(), lines.begin(), lines.end());
  }
  out.height = 3.7 * static_cast<double>(out.lines.size());
  return out;
}

constexpr double kPieceGap = 6, kPiecePicture = 58, kPieceNames = 12;

void draw_cell(Pages& pages, const film::FilmPiece& piece, const PieceCell& cell,
               const PageBox& box, double one_to, Units u) {
  Sheet& sheet = pages.sheet();
  const double left = box.top_left.x, width = box.width;
  draw_piece(sheet, pages.ruler(), box, piece, one_to, u);
  double y = box.top_left.y + box.height + 5;
  sheet.text({left, y}, pages.to_width(clean(piece.name, 60), width, 3),
             {3, style::kInk, Anchor::start, true});
  y += 4;
  sheet.text({left, y}, pages.to_width(piece_sizes(piece, u), width), {kSmall, style::kInk});
  for (const std::string& line : cell.lines) {
    y += 3.7;
    sheet.text({left, y}, line, {kSmall, style::kQuiet});
  }
}

void draw_pieces(Pages& pages, const Job& job, Units u) {
  if (job.pieces.empty()) return;
  const double width = (pages.width() - kPieceGap) / 2;
  const double one_to = scale_of_pieces(job.pieces, width, kPiecePicture);
  for (std::size_t k = 0; k < job.pieces.size(); k += 2) {
    const std::size_t count = std::min<std::size_t>(2, job.pieces.size() - k);
    std::array<PieceCell, 2> cells;
    double picture = 0;
    for (std::size_t i = 0; i < count; ++i) {
      picture = std::max(picture, height_of_piece(job.pieces[k + i], one_to));
      cells[i] = cell_of(pages, job, job.pieces[k + i], width, u);
    }
    const double height = picture + kPieceNames + std::max(cells[0].height, cells[1].height);
    if (k == 0) pages.heading("Film pieces, all drawn 1 : " + to_text(one_to, 1), height);
    pages.need(height);
    for (std::size_t i = 0; i < count; ++i) {
      const double left = pages.left() + static_cast<double>(i) * (width + kPieceGap);
      draw_cell(pages, job.pieces[k + i], cells[i], {{left, pages.y}, width, picture}, one_to, u);
    }
    pages.y += height;
  }
}

void draw_roll(Pages& pages, const Job& job, Units u) {
  if (!job.layout) return;
  const double one_to = scale_of_strips(*job.layout, pages.width());
  for (std::size_t k = 0; k < job.layout->strips.size(); ++k) {
    const report::StripOf of{*job.layout, job.layout->strips[k]};
    const double height = height_of_strip(of.strip, one_to);
    const std::string which = say_which(of.layout, k);
    const double with_name = height + (which.empty() ? 14 : 20);
    if (k == 0) pages.heading("On the film, in the order of cutting", with_name);
    pages.need(with_name);
    if (!which.empty()) {
      pages.sheet().text({pages.left(), pages.y + 4},
                         pages.to_width(which + say_film(of.strip.film, u), pages.width(), 3.4),
                         {3.4, style::kInk, Anchor::start, true});
      pages.y += 6;
    }
    const PagePoint top_left{pages.left(), pages.y + 2};
    draw_layout_picture(pages.sheet(), pages.ruler(), of, u, top_left,
                        top_left + PagePoint{pages.width(), height});
    pages.y += height + 4;
    pages.sheet().text({pages.right(), pages.y}, "1 : " + to_text(one_to, 1),
                       {2.4, style::kQuiet, Anchor::end});
    const WordTable table = cut_table(of.layout, of.strip, u);
    Grid(pages, table, pages.width()).draw(pages, pages.left());
    pages.y += 4;
  }
}

void draw_work(Pages& pages) {
  pages.heading("Order of work, common practice", 20);
  for (const std::string& words : order_of_work()) pages.paragraph(words, "\u2610");
  pages.heading("Caution", 20);
  for (const std::string& words : cautions()) pages.paragraph(words, "!");
}

}  // namespace

std::string to_job_pdf(const Job& job, Paper paper, Units u) {
  Pages pages(job, paper);
  draw_head(pages, job);
  draw_summary(pages, job, u);
  draw_panes(pages, job, u);
  draw_pieces(pages, job, u);
  draw_roll(pages, job, u);
  draw_work(pages);
  return pages.finish();
}

}  // namespace panecard::drawings
