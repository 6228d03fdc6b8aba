#include <stdexcept>

#include "drawings/drawings.h"
#include "drawings/sheet.h"
#include "drawings/style.h"
#include "drawings/true_print.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

constexpr int kModules = 7;  // 5x5 bits and a border of one

// A chessboard whose white squares hold markers, numbered row by row from the top-left.
struct Board {
  int columns, rows;
  double square_mm, marker_mm;
  int first_id;
  double width() const { return columns * square_mm; }
  double height() const { return rows * square_mm; }
};

constexpr Board kSheetBoard{7, 9, 26, 19.5, 0};
Board card_board(int card) { return {5, 3, 16, 12, 64 + 8 * card}; }

constexpr int kCards = 32;
constexpr int kCardColumns = 2;
constexpr int kCardRows = 4;
constexpr double kCardWidth = 85.60;
constexpr double kCardHeight = 53.98;
constexpr double kCardRadius = 3.18;
constexpr double kGapX = 10;
constexpr double kGapY = 8;

// Neighbouring modules share edges: all in one path, so that no renderer shows a seam.
void add_marker(Path& path, const TruePrint& truth, PagePoint at, double side,
                const std::vector<bool>& black) {
  if (black.size() != std::size_t{kModules} * kModules) {
    throw std::invalid_argument("marker_bits must give 7 x 7 modules");
  }
  const double module = side / kModules;
  for (int row = 0; row < kModules; ++row) {
    for (int first = 0; first < kModules;) {
      const auto is_black = [&](int column) {
        return black[static_cast<std::size_t>(row) * kModules + static_cast<std::size_t>(column)];
      };
      int last = first;
      while (last < kModules && is_black(last)) ++last;
      if (last > first) {
        path.rectangle(truth(at + PagePoint{first * module, row * module}),
                       truth((last - first) * module), truth(module));
      }
      first = last + 1;
    }
  }
}

void add_board(Path& path, const Board& board, PagePoint at, const TruePrint& truth,
               MarkerBits marker_bits) {
  const double inset = (board.square_mm - board.marker_mm) / 2;
  int id = board.first_id;
  for (int row = 0; row < board.rows; ++row) {
    for (int column = 0; column < board.columns; ++column) {
      const PagePoint square = at + PagePoint{column * board.square_mm, row * board.square_mm};
      if ((row + column) % 2 == 0) {
        path.rectangle(truth(square), truth(board.square_mm), truth(board.square_mm));
      } else {
        add_marker(path, truth, square + PagePoint{inset, inset}, board.marker_mm,
                   marker_bits(id++));
      }
    }
  }
}

void instruction(Sheet& sheet, const CardJob& job, double width, double height,
                 const std::string& title, const std::string& how_to_use) {
  const double middle = width / 2;
  const TextStyle heading{3.2, style::kInk, Anchor::middle, true};
  const TextStyle line{2.5, style::kQuiet, Anchor::middle};
  sheet.text({middle, 9.5}, title, heading);
  std::string how = "Print at 100 % (actual size, no fit to page). " + how_to_use;
  sheet.text({middle, 13.6}, how, line);
  std::string check = "If the bar is not 100.0 mm long, make this page again with --printed-bar ";
  check += "and the length you measured.";
  if (job.printed_bar_mm != kCheckBar) {
    check = "Corrected for a printer whose bar came out " + to_text(job.printed_bar_mm, 3) +
            " mm: the bar must now be 100.0 mm long.";
  }
  sheet.text({middle, height - 5.6}, check, line);
}

void sheet_page(Sheet& sheet, const CardJob& job, double width, double height,
                MarkerBits marker_bits) {
  const TruePrint truth(job.printed_bar_mm, width, height);
  instruction(sheet, job, width, height, "Coded sheet",
              "Lay it flat on the glass, or tape it by the corners.");
  Path board;
  add_board(board, kSheetBoard,
            {(width - kSheetBoard.width()) / 2, (height - kSheetBoard.height()) / 2}, truth,
            marker_bits);
  sheet.begin_group("board");
  sheet.fill(board, {0, 0, 0});
  sheet.end_group();
  draw_check_bar(sheet, truth, {width / 2, height - 14});
}

// Ticks in line with the four edges, off the card so that none of them stays on it.
void add_cut_marks(Path& path, const TruePrint& truth, PagePoint at) {
  constexpr double kNear = 1;
  constexpr double kFar = 3;
  for (const double y : {at.y, at.y + kCardHeight}) {
    path.move(truth({at.x - kFar, y})).line(truth({at.x - kNear, y}));
    path.move(truth({at.x + kCardWidth + kNear, y})).line(truth({at.x + kCardWidth + kFar, y}));
  }
  for (const double x : {at.x, at.x + kCardWidth}) {
    path.move(truth({x, at.y - kFar})).line(truth({x, at.y - kNear}));
    path.move(truth({x, at.y + kCardHeight + kNear})).line(truth({x, at.y + kCardHeight + kFar}));
  }
}

void cards_page(Sheet& sheet, const CardJob& job, double width, double height,
                MarkerBits marker_bits) {
  const TruePrint truth(job.printed_bar_mm, width, height);
  instruction(
      sheet, job, width, height, "Coded cards",
      "Glue flat onto rigid cards 0.76 mm thick (ID-1); cut along the line, mind the blade.");
  const double left = (width - kCardColumns * kCardWidth - (kCardColumns - 1) * kGapX) / 2;
  const double top = (height - kCardRows * kCardHeight - (kCardRows - 1) * kGapY) / 2;
  Path black;
  Path outlines;
  Path marks;
  sheet.begin_group("numbers");
  for (int i = 0; i < kCardColumns * kCardRows && job.first_card + i < kCards; ++i) {
    const int card = job.first_card + i;
    const int column = i % kCardColumns, row = i / kCardColumns;
    const PagePoint at{left + column * (kCardWidth + kGapX), top + row * (kCardHeight + kGapY)};
    const Board board = card_board(card);
    const PagePoint corner =
        at + PagePoint{(kCardWidth - board.width()) / 2, (kCardHeight - board.height()) / 2};
    add_board(black, board, corner, truth, marker_bits);
    outlines.rounded_rectangle(truth(at), truth(kCardWidth), truth(kCardHeight),
                               truth(kCardRadius));
    add_cut_marks(marks, truth, at);
    sheet.text(truth(at + PagePoint{kCardWidth / 2, kCardHeight - 0.9}),
               "card " + std::to_string(card), {truth(1.7), style::kQuiet, Anchor::middle});
  }
  sheet.end_group();
  sheet.begin_group("boards");
  sheet.fill(black, {0, 0, 0});
  sheet.end_group();
  sheet.begin_group("cut");
  sheet.stroke(outlines, {style::kRule, 0.1});
  sheet.stroke(marks, {style::kInk, 0.15});
  sheet.end_group();
  draw_check_bar(sheet, truth, {width / 2, height - 12.4});
}

Sheet page(const CardJob& job, MarkerBits marker_bits) {
  const Result<CardJob> good = checked(job);
  if (!good.ok()) throw std::invalid_argument(good.error().detail);
  const auto [width, height] = size_of(job.paper);
  const bool is_sheet = job.page == CardPage::sheet;
  Sheet out(width, height, is_sheet ? "Coded sheet" : "Coded cards");
  (is_sheet ? sheet_page : cards_page)(out, job, width, height, marker_bits);
  return out;
}

}  // namespace

Result<CardJob> checked(const CardJob& job) {
  if (const std::optional<Error> wrong = wrong_bar(job.printed_bar_mm)) return *wrong;
  if (job.first_card < 0 || job.first_card >= kCards) {
    return Error{Code::bad_usage, "first card " + std::to_string(job.first_card) +
                                      " is outside 0 to 31: choose one of these numbers"};
  }
  return job;
}

std::string card_page_pdf(const CardJob& job, MarkerBits marker_bits) {
  return page(job, marker_bits).pdf();
}

std::string card_page_svg(const CardJob& job, MarkerBits marker_bits) {
  return page(job, marker_bits).svg();
}

}  // namespace panecard::drawings
