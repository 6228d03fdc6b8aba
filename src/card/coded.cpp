#include "card/coded.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "card/board.h"
#include "card/marks.h"
#include "card/saddle.h"

namespace panecard::card {

namespace {

using Eigen::Vector2d;

constexpr double kSearchLongSidePx = 1350;  // 12 megapixels reduced three times
constexpr double kSmallMarkPx = 15;         // reduced px: below this others may have been missed
constexpr double kRoughArmPx = 9, kFineArmPx = 20;
constexpr double kId1ThicknessMm = 0.76, kSheetThicknessMm = 0.1;
constexpr double kId1WidthMm = 85.60, kId1HeightMm = 53.98;
constexpr double kPrintSigmaMm =
    0.0423 / 3.4641;              // edges land on a 600 dpi grid: uniform, one dot wide
constexpr double kMinSeen = 0.6;  // of the crossings; fewer: covered, torn or not a board

/// Board millimetres to photo pixels through a plane homography and the lens.
struct BoardView {
  cv::Matx33d normalised_from_board;
  photo::LensVector lens;

  PointPx operator()(PointMm p) const {
    const cv::Vec3d q = normalised_from_board * cv::Vec3d(p.x, p.y, 1);
    return photo::distort(lens, q[0] / q[2], q[1] / q[2]);
  }
};

Vector2d vec(PointPx p) { return {p.x, p.y}; }

struct Pair {
  PointMm on_board;
  PointPx seen;
};

std::optional<BoardView> fit_view(const std::vector<Pair>& pairs, const photo::LensVector& lens,
                                  double robust_px, std::vector<bool>* agree = nullptr) {
  std::vector<cv::Point2d> board, normalised;
  for (const Pair& pair : pairs) {
    const Eigen::Vector2d n = photo::undistort(lens, pair.seen);
    if (!n.allFinite()) return std::nullopt;
    board.emplace_back(pair.on_board.x, pair.on_board.y);
    normalised.emplace_back(n.x(), n.y());
  }
  if (board.size() < 4) return std::nullopt;
  cv::Mat inliers;
  const int method = robust_px > 0 ? cv::RANSAC : 0;
  const cv::Mat h = cv::findHomography(board, normalised, method, robust_px / lens[photo::kF],
                                       inliers, 500, 0.999);
  if (h.empty()) return std::nullopt;
  if (agree) {
    agree->clear();
    for (int i = 0; i < static_cast<int>(pairs.size()); ++i) {
      agree->push_back(robust_px <= 0 || inliers.at<uchar>(i) != 0);
    }
  }
  return BoardView{cv::Matx33d(h.ptr<double>()), lens};
}

/// Marks of one card id that lie on one board; takes them out of `marks`.
std::vector<Mark> take_board(std::vector<Mark>& marks, const Board& board,
                             const photo::LensVector& lens) {
  std::vector<Pair> pairs;
  for (const Mark& mark : marks) {
    const auto places = board.marker(mark.id - board.first_marker);
    for (int i = 0; i < 4; ++i) pairs.push_back({places[i], mark.corners[i]});
  }
  std::vector<bool> agree;
  const double side = norm({marks[0].corners[0].x - marks[0].corners[1].x,
                            marks[0].corners[0].y - marks[0].corners[1].y});
  std::vector<Mark> taken, left;
  const bool fits = fit_view(pairs, lens, std::max(3.0, 0.1 * side), &agree).has_value();
  for (std::size_t i = 0; i < marks.size(); ++i) {
    const auto first = agree.begin() + static_cast<std::ptrdiff_t>(4 * i);
    const bool on_board = fits && std::count(first, first + 4, true) >= 3;
    (on_board ? taken : left).push_back(marks[i]);
  }
  marks = left;
  return taken;
}

struct Crossing {
  int column, row;
  SaddleFit fit;
};

DetectedCard blank_sighting(int card_id, const Board& board) {
  DetectedCard s;
  s.kind = card_id == kSheetId ? Kind::sheet : Kind::card;
  s.id = card_id == kSheetId ? 0 : card_id;
  s.width_mm = card_id == kSheetId ? board.width_mm() : kId1WidthMm;
  s.height_mm = card_id == kSheetId ? board.height_mm() : kId1HeightMm;
  s.thickness_mm = card_id == kSheetId ? kSheetThicknessMm : kId1ThicknessMm;
  return s;
}

std::vector<Crossing> measure_crossings(const cv::Mat& grey, const Board& board,
                                        const BoardView& view, double max_arm_px) {
  const int across = board.columns - 1, count = across * (board.rows - 1);
  std::vector<std::optional<SaddleFit>> fits(static_cast<std::size_t>(count));
  cv::parallel_for_(cv::Range(0, count), [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const int column = 1 + i % across, row = 1 + i / across;
      const Vector2d right = 0.5 * (vec(view(board.crossing(column + 1, row))) -
                                    vec(view(board.crossing(column - 1, row))));
      const Vector2d down = 0.5 * (vec(view(board.crossing(column, row + 1))) -
                                   vec(view(board.crossing(column, row - 1))));
      fits[static_cast<std::size_t>(i)] = fit_saddle(grey, view(board.crossing(column, row)), right,
                                                     down, board.black(column, row), max_arm_px);
    }
  });
  std::vector<Crossing> crossings;
  for (int i = 0; i < count; ++i) {
    const auto& fit = fits[static_cast<std::size_t>(i)];
    if (fit) crossings.push_back({1 + i % across, 1 + i / across, *fit});
  }
  return crossings;
}

std::vector<Pair> pairs_of(const Board& board, const std::vector<Crossing>& crossings) {
  std::vector<Pair> pairs;
  pairs.reserve(crossings.size());
  for (const Crossing& c : crossings) pairs.push_back({board.crossing(c.column, c.row), c.fit.at});
  return pairs;
}

double median(std::vector<double> v) {
  std::nth_element(v.begin(), v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2), v.end());
  return v[v.size() / 2];
}

/// How uncertain a printed point's own place is, as seen in the photo there.
double print_sigma_px(const BoardView& view, PointMm at) {
  const Vector2d along = vec(view({at.x + 1, at.y})) - vec(view(at));
  const Vector2d across = vec(view({at.x, at.y + 1})) - vec(view(at));
  return kPrintSigmaMm * std::sqrt(0.5 * (along.squaredNorm() + across.squaredNorm()));
}

/// The black squares' outer sides: they lie further out than any crossing, and so hold the plane
/// better.
void measure_rim(const cv::Mat& grey, const Board& board, const BoardView& view, double blur_px,
                 double bloom, DetectedCard& sighting) {
  // Black on the right-hand side on the screen: clockwise round the board. The sides on one line of
  // the board share its error of print.
  struct Side {
    PointMm a, b;
    int alike;
  };
  std::vector<Side> sides;
  const int columns = board.columns, rows = board.rows;
  for (int i = 0; i < columns; ++i) {
    const int alike = (columns + 1) / 2;
    if (board.black(i, 0)) sides.push_back({board.crossing(i, 0), board.crossing(i + 1, 0), alike});
    if (board.black(i, rows - 1))
      sides.push_back({board.crossing(i + 1, rows), board.crossing(i, rows), alike});
  }
  for (int i = 0; i < rows; ++i) {
    const int alike = (rows + 1) / 2;
    if (board.black(0, i)) sides.push_back({board.crossing(0, i + 1), board.crossing(0, i), alike});
    if (board.black(columns - 1, i))
      sides.push_back({board.crossing(columns, i), board.crossing(columns, i + 1), alike});
  }
  std::vector<std::optional<Edge>> seen(sides.size());
  cv::parallel_for_({0, static_cast<int>(sides.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto& [a, b, alike] = sides[i];
      const PointPx a_px = view(a), b_px = view(b);
      const double square_px = (vec(b_px) - vec(a_px)).norm();
      const auto fit = fit_straight(grey, a_px, b_px, 0.1 * square_px, blur_px, bloom);
      if (!fit) continue;
      const double print = print_sigma_px(view, 0.5 * (a + b)) * std::sqrt(2.0 * alike);
      seen[i] = Edge{a, b, {fit->at[0], fit->at[1]}, std::hypot(fit->sigma_px, print)};
    }
  });
  for (const auto& edge : seen) {
    if (edge) sighting.edges.push_back(*edge);
  }
}

std::vector<PointPx> body_in_photo(const DetectedCard& s, const BoardView& view) {
  const double x = 0.5 * s.width_mm, y = 0.5 * s.height_mm;
  return {view({-x, y}), view({x, y}), view({x, -y}), view({-x, -y})};
}

bool inside(const std::vector<PointPx>& points, const cv::Mat& image) {
  return std::all_of(points.begin(), points.end(), [&](PointPx p) {
    return p.x >= 0 && p.y >= 0 && p.x <= image.cols && p.y <= image.rows;
  });
}

struct Measured {
  DetectedCard sighting;
  double blur_px = 0;
  bool whole = false;  ///< inside the photo
  bool good = false;
};

Measured measure_board(const cv::Mat& grey, int card_id, const std::vector<Mark>& marks,
                       const photo::LensVector& lens) {
  const Board board = board_of(card_id);
  Measured result;
  result.sighting = blank_sighting(card_id, board);
  std::vector<Pair> pairs;
  for (const Mark& mark : marks) {
    const auto places = board.marker(mark.id - board.first_marker);
    for (int i = 0; i < 4; ++i) pairs.push_back({places[i], mark.corners[i]});
  }
  auto view = fit_view(pairs, lens, 0);
  std::vector<Crossing> crossings;
  // The second round predicts from crossings instead of rough markers, and so reaches all of them.
  for (const double max_arm_px : {kRoughArmPx, kFineArmPx}) {
    if (!view) break;
    result.sighting.body_px = body_in_photo(result.sighting, *view);
    result.whole = inside(result.sighting.body_px, grey);
    crossings = measure_crossings(grey, board, *view, max_arm_px);
    if (crossings.size() < 4) return result;
    const auto better = fit_view(pairs_of(board, crossings), lens, 0);
    if (!better) return result;
    view = better;
  }
  if (!view) return result;
  result.sighting.body_px = body_in_photo(result.sighting, *view);
  result.whole = inside(result.sighting.body_px, grey);
  const double possible = (board.columns - 1) * (board.rows - 1);
  std::vector<double> blurs, blooms;
  for (const Crossing& c : crossings) {
    const PointMm at = board.crossing(c.column, c.row);
    result.sighting.corners.push_back(
        {at, c.fit.at, std::hypot(c.fit.sigma_px, print_sigma_px(*view, at))});
    blurs.push_back(c.fit.blur_px);
    blooms.push_back(c.fit.bloom);
  }
  result.blur_px = median(blurs);
  result.good = static_cast<double>(crossings.size()) >= kMinSeen * possible;
  measure_rim(grey, board, *view, result.blur_px, median(blooms), result.sighting);
  return result;
}

/// A marker can be outlined twice, roughly; what lies on a board already measured is no other
/// board.
void drop_inside(std::vector<Mark>& marks, const std::vector<PointPx>& body_px) {
  std::vector<cv::Point2f> body;
  body.reserve(body_px.size());
  for (const PointPx p : body_px)
    body.emplace_back(static_cast<float>(p.x), static_cast<float>(p.y));
  if (body.empty()) return;
  std::erase_if(marks, [&](const Mark& mark) {
    const Vector2d middle = 0.5 * (vec(mark.corners[0]) + vec(mark.corners[2]));
    const cv::Point2f at(static_cast<float>(middle.x()), static_cast<float>(middle.y()));
    return cv::pointPolygonTest(body, at, false) >= 0;
  });
}

double mark_side_px(const Mark& mark) {
  return 0.25 * ((vec(mark.corners[0]) - vec(mark.corners[1])).norm() +
                 (vec(mark.corners[1]) - vec(mark.corners[2])).norm() +
                 (vec(mark.corners[2]) - vec(mark.corners[3])).norm() +
                 (vec(mark.corners[3]) - vec(mark.corners[0])).norm());
}

/// Coarse first; two thirds of that when nothing is found, or when what is found is so small that
/// others may have been missed. A marker still smaller could not carry a measurement.
std::vector<Mark> search_marks(const cv::Mat& grey, Small small) {
  const int coarse = std::max(1, cvRound(std::max(grey.cols, grey.rows) / kSearchLongSidePx));
  const int fine = (2 * coarse + 2) / 3;
  std::vector<Mark> marks = find_marks(grey, coarse);
  if (small == Small::pass_over) return marks;
  const bool clear = std::all_of(marks.begin(), marks.end(), [&](const Mark& mark) {
    return mark_side_px(mark) > kSmallMarkPx * coarse;
  });
  if (fine == coarse || (clear && !marks.empty())) return marks;
  return find_marks(grey, fine);
}

double area_px2(const std::vector<PointPx>& quad) {
  double twice = 0;
  for (std::size_t i = 0; i < quad.size(); ++i) {
    const PointPx a = quad[i], b = quad[(i + 1) % quad.size()];
    twice += a.x * b.y - a.y * b.x;
  }
  return 0.5 * std::abs(twice);
}

}  // namespace

CodedSearch find_coded(const photo::Photo& photo, const photo::Lens& lens, Small small) {
  CodedSearch result;
  std::map<int, std::vector<Mark>> marks_of_card;
  for (const Mark& mark : search_marks(photo.grey, small)) {
    if (mark.mirrored) {
      ++result.mirrored_marks;
    } else {
      marks_of_card[*card_of_marker(mark.id)].push_back(mark);
    }
  }
  std::vector<double> blurs;
  for (auto& [card_id, marks] : marks_of_card) {
    // The same number may lie on the pane twice; each round takes the marks of one board away.
    while (!marks.empty()) {
      const std::vector<Mark> board_marks = take_board(marks, board_of(card_id), lens.value);
      if (board_marks.empty()) break;
      Measured measured = measure_board(photo.grey, card_id, board_marks, lens.value);
      drop_inside(marks, measured.sighting.body_px);
      if (measured.blur_px > 0) blurs.push_back(measured.blur_px);
      if (!measured.whole && !measured.sighting.body_px.empty()) {
        result.cut_off.push_back(std::move(measured.sighting));
      } else if (measured.good) {
        result.cards.push_back(std::move(measured.sighting));
      } else {
        result.unmeasured_marks += static_cast<int>(board_marks.size());
      }
    }
  }
  if (!blurs.empty()) result.blur_px = median(blurs);
  std::stable_sort(result.cards.begin(), result.cards.end(),
                   [](const DetectedCard& a, const DetectedCard& b) {
                     return area_px2(a.body_px) > area_px2(b.body_px);
                   });
  return result;
}

}  // namespace panecard::card
