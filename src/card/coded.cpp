#include "card/coded.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "card/board.h"
#include "card/markers.h"
#include "card/saddle.h"

namespace panecard::card {

namespace {

using Eigen::Vector2d;

constexpr double kSearchLongSidePx = 1350;  // 12 megapixels reduced three times
constexpr double kSmallMarkerPx = 15;  // reduced px: below this smaller ones may have been missed
constexpr double kRoughArmPx = 9, kFineArmPx = 20;
constexpr double kId1ThicknessMm = 0.76, kSheetThicknessMm = 0.1;
constexpr double kId1WidthMm = 85.60, kId1HeightMm = 53.98;
constexpr double kPrintSigmaMm =
    0.0423 / 3.4641;                     // edges land on a 600 dpi grid: uniform, one dot wide
constexpr double kMinCornerShare = 0.6;  // of the corners; fewer: covered, torn or not a board

/// Projects board mm to photo px by a homography to undistorted directions, then the lens.
struct BoardView {
  cv::Matx33d normalised_from_board;
  photo::LensVector lens;

  PointPx operator()(PointMm p) const {
    const cv::Vec3d q = normalised_from_board * cv::Vec3d(p.x, p.y, 1);
    return photo::distort(lens, q[0] / q[2], q[1] / q[2]);
  }
};

Vector2d vec(PointPx p) { return {p.x, p.y}; }

struct Correspondence {
  PointMm on_board;
  PointPx seen;
};

std::optional<BoardView> fit_view(const std::vector<Correspondence>& pairs,
                                  const photo::LensVector& lens, double robust_px,
                                  std::vector<bool>* agree = nullptr) {
  std::vector<cv::Point2d> board, normalised;
  for (const Correspondence& pair : pairs) {
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

/// Markers of one card id that agree with one homography; removes them from `markers`.
std::vector<Marker> extract_board(std::vector<Marker>& markers, const Board& board,
                                  const photo::LensVector& lens) {
  std::vector<Correspondence> pairs;
  for (const Marker& marker : markers) {
    const auto places = board.marker(marker.id - board.first_marker);
    for (int i = 0; i < 4; ++i) pairs.push_back({places[i], marker.corners[i]});
  }
  std::vector<bool> agree;
  const double side = norm({markers[0].corners[0].x - markers[0].corners[1].x,
                            markers[0].corners[0].y - markers[0].corners[1].y});
  std::vector<Marker> taken, left;
  const bool fits = fit_view(pairs, lens, std::max(3.0, 0.1 * side), &agree).has_value();
  for (std::size_t i = 0; i < markers.size(); ++i) {
    const auto first = agree.begin() + static_cast<std::ptrdiff_t>(4 * i);
    const bool on_board = fits && std::count(first, first + 4, true) >= 3;
    (on_board ? taken : left).push_back(markers[i]);
  }
  markers = left;
  return taken;
}

struct MeasuredCorner {
  int column, row;
  SaddleFit fit;
};

DetectedCard card_with_size(int card_id, const Board& board) {
  DetectedCard s;
  s.kind = card_id == kSheetId ? Kind::sheet : Kind::card;
  s.id = card_id == kSheetId ? 0 : card_id;
  s.width_mm = card_id == kSheetId ? board.width_mm() : kId1WidthMm;
  s.height_mm = card_id == kSheetId ? board.height_mm() : kId1HeightMm;
  s.thickness_mm = card_id == kSheetId ? kSheetThicknessMm : kId1ThicknessMm;
  return s;
}

std::vector<MeasuredCorner> measure_corners(const cv::Mat& grey, const Board& board,
                                            const BoardView& view, double max_arm_px) {
  const int across = board.columns - 1, count = across * (board.rows - 1);
  std::vector<std::optional<SaddleFit>> fits(static_cast<std::size_t>(count));
  cv::parallel_for_(cv::Range(0, count), [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const int column = 1 + i % across, row = 1 + i / across;
      const Vector2d right = 0.5 * (vec(view(board.corner_at(column + 1, row))) -
                                    vec(view(board.corner_at(column - 1, row))));
      const Vector2d down = 0.5 * (vec(view(board.corner_at(column, row + 1))) -
                                   vec(view(board.corner_at(column, row - 1))));
      fits[static_cast<std::size_t>(i)] =
          fit_saddle(grey, view(board.corner_at(column, row)), right, down,
                     board.black(column, row), max_arm_px);
    }
  });
  std::vector<MeasuredCorner> corners;
  for (int i = 0; i < count; ++i) {
    const auto& fit = fits[static_cast<std::size_t>(i)];
    if (fit) corners.push_back({1 + i % across, 1 + i / across, *fit});
  }
  return corners;
}

std::vector<Correspondence> pairs_of(const Board& board,
                                     const std::vector<MeasuredCorner>& corners) {
  std::vector<Correspondence> pairs;
  pairs.reserve(corners.size());
  for (const MeasuredCorner& c : corners)
    pairs.push_back({board.corner_at(c.column, c.row), c.fit.at});
  return pairs;
}

double median(std::vector<double> v) {
  std::nth_element(v.begin(), v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2), v.end());
  return v[v.size() / 2];
}

/// Standard uncertainty of a printed point's position on the board, projected to px.
double print_sigma_px(const BoardView& view, PointMm at) {
  const Vector2d along = vec(view({at.x + 1, at.y})) - vec(view(at));
  const Vector2d across = vec(view({at.x, at.y + 1})) - vec(view(at));
  return kPrintSigmaMm * std::sqrt(0.5 * (along.squaredNorm() + across.squaredNorm()));
}

/// Fits the outer edges of the black squares: they lie further out than any chessboard corner, so
/// that they constrain the plane better.
void measure_outer_edges(const cv::Mat& grey, const Board& board, const BoardView& view,
                         double blur_px, double bloom, DetectedCard& card) {
  // Clockwise round the board, so that black is on the right-hand side on the screen. Sides on one
  // line of the board share that line's print error.
  struct Side {
    PointMm a, b;
    int sharing;
  };
  std::vector<Side> sides;
  const int columns = board.columns, rows = board.rows;
  for (int i = 0; i < columns; ++i) {
    const int sharing = (columns + 1) / 2;
    if (board.black(i, 0))
      sides.push_back({board.corner_at(i, 0), board.corner_at(i + 1, 0), sharing});
    if (board.black(i, rows - 1))
      sides.push_back({board.corner_at(i + 1, rows), board.corner_at(i, rows), sharing});
  }
  for (int i = 0; i < rows; ++i) {
    const int sharing = (rows + 1) / 2;
    if (board.black(0, i))
      sides.push_back({board.corner_at(0, i + 1), board.corner_at(0, i), sharing});
    if (board.black(columns - 1, i))
      sides.push_back({board.corner_at(columns, i), board.corner_at(columns, i + 1), sharing});
  }
  std::vector<std::optional<Edge>> seen(sides.size());
  cv::parallel_for_({0, static_cast<int>(sides.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      const auto& [a, b, sharing] = sides[i];
      const PointPx a_px = view(a), b_px = view(b);
      const double square_px = (vec(b_px) - vec(a_px)).norm();
      const auto fit = fit_edge(grey, a_px, b_px, 0.1 * square_px, blur_px, bloom);
      if (!fit) continue;
      const double print = print_sigma_px(view, 0.5 * (a + b)) * std::sqrt(2.0 * sharing);
      seen[i] = Edge{a, b, {fit->at[0], fit->at[1]}, std::hypot(fit->sigma_px, print)};
    }
  });
  for (const auto& edge : seen) {
    if (edge) card.edges.push_back(*edge);
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
  DetectedCard card;
  double blur_px = 0;
  bool whole = false;  ///< inside the photo
  bool enough_corners = false;
};

Measured measure_board(const cv::Mat& grey, int card_id, const std::vector<Marker>& markers,
                       const photo::LensVector& lens) {
  const Board board = board_of(card_id);
  Measured result;
  result.card = card_with_size(card_id, board);
  std::vector<Correspondence> pairs;
  for (const Marker& marker : markers) {
    const auto places = board.marker(marker.id - board.first_marker);
    for (int i = 0; i < 4; ++i) pairs.push_back({places[i], marker.corners[i]});
  }
  auto view = fit_view(pairs, lens, 0);
  std::vector<MeasuredCorner> corners;
  // The second round predicts from corners instead of rough markers, and so finds all of them.
  for (const double max_arm_px : {kRoughArmPx, kFineArmPx}) {
    if (!view) break;
    result.card.body_px = body_in_photo(result.card, *view);
    result.whole = inside(result.card.body_px, grey);
    corners = measure_corners(grey, board, *view, max_arm_px);
    if (corners.size() < 4) return result;
    const auto better = fit_view(pairs_of(board, corners), lens, 0);
    if (!better) return result;
    view = better;
  }
  if (!view) return result;
  result.card.body_px = body_in_photo(result.card, *view);
  result.whole = inside(result.card.body_px, grey);
  const double possible = (board.columns - 1) * (board.rows - 1);
  std::vector<double> blurs, blooms;
  for (const MeasuredCorner& c : corners) {
    const PointMm at = board.corner_at(c.column, c.row);
    result.card.corners.push_back(
        {at, c.fit.at, std::hypot(c.fit.sigma_px, print_sigma_px(*view, at))});
    blurs.push_back(c.fit.blur_px);
    blooms.push_back(c.fit.bloom);
  }
  result.blur_px = median(blurs);
  result.enough_corners = static_cast<double>(corners.size()) >= kMinCornerShare * possible;
  measure_outer_edges(grey, board, *view, result.blur_px, median(blooms), result.card);
  return result;
}

/// A marker can be detected twice, roughly: one inside a board already measured is a duplicate.
void remove_markers_inside(std::vector<Marker>& markers, const std::vector<PointPx>& body_px) {
  std::vector<cv::Point2f> body;
  body.reserve(body_px.size());
  for (const PointPx p : body_px)
    body.emplace_back(static_cast<float>(p.x), static_cast<float>(p.y));
  if (body.empty()) return;
  std::erase_if(markers, [&](const Marker& marker) {
    const Vector2d middle = 0.5 * (vec(marker.corners[0]) + vec(marker.corners[2]));
    const cv::Point2f at(static_cast<float>(middle.x()), static_cast<float>(middle.y()));
    return cv::pointPolygonTest(body, at, false) >= 0;
  });
}

double marker_side_px(const Marker& marker) {
  return 0.25 * ((vec(marker.corners[0]) - vec(marker.corners[1])).norm() +
                 (vec(marker.corners[1]) - vec(marker.corners[2])).norm() +
                 (vec(marker.corners[2]) - vec(marker.corners[3])).norm() +
                 (vec(marker.corners[3]) - vec(marker.corners[0])).norm());
}

/// Coarse scale first; a reduction of two thirds when no marker is found, or when a found one is so
/// small that others may have been missed. Still smaller markers could not be measured.
std::vector<Marker> detect_at_scales(const cv::Mat& grey, SmallMarkers small_markers) {
  const int coarse = std::max(1, cvRound(std::max(grey.cols, grey.rows) / kSearchLongSidePx));
  const int fine = (2 * coarse + 2) / 3;
  std::vector<Marker> markers = detect_markers(grey, coarse);
  if (small_markers == SmallMarkers::ignore) return markers;
  const bool clear = std::all_of(markers.begin(), markers.end(), [&](const Marker& marker) {
    return marker_side_px(marker) > kSmallMarkerPx * coarse;
  });
  if (fine == coarse || (clear && !markers.empty())) return markers;
  return detect_markers(grey, fine);
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

CodedDetection detect_coded_cards(const photo::Photo& photo, const photo::Lens& lens,
                                  SmallMarkers small_markers) {
  CodedDetection result;
  std::map<int, std::vector<Marker>> markers_of_card;
  for (const Marker& marker : detect_at_scales(photo.grey, small_markers)) {
    if (marker.mirrored) {
      ++result.mirrored_markers;
    } else {
      markers_of_card[*card_of_marker(marker.id)].push_back(marker);
    }
  }
  std::vector<double> blurs;
  for (auto& [card_id, markers] : markers_of_card) {
    // The same number may lie on the pane twice; each round removes the markers of one board.
    while (!markers.empty()) {
      const std::vector<Marker> board_markers =
          extract_board(markers, board_of(card_id), lens.value);
      if (board_markers.empty()) break;
      Measured measured = measure_board(photo.grey, card_id, board_markers, lens.value);
      remove_markers_inside(markers, measured.card.body_px);
      if (measured.blur_px > 0) blurs.push_back(measured.blur_px);
      if (!measured.whole && !measured.card.body_px.empty()) {
        result.cut_off.push_back(std::move(measured.card));
      } else if (measured.enough_corners) {
        result.cards.push_back(std::move(measured.card));
      } else {
        result.unmeasured_markers += static_cast<int>(board_markers.size());
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
