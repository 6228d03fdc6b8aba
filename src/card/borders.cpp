#include "card/borders.h"

#include <algorithm>
#include <array>
#include <bit>
#include <opencv2/core/hal/intrin.hpp>
#include <utility>

namespace panecard::card {
namespace {

/// Non-zero pixels of one row, [from, to), and the shape they belong to.
struct PixelRun {
  int from, to, shape;
};

/// Shapes as they grow from row to row; one that turns out to be part of another points to it.
struct Shape {
  int parent;
  cv::Point first;  ///< in the order of rows, then columns
  int left, right, bottom;
};

class Shapes {
 public:
  int root_of(int shape) {
    while (all_[shape].parent != shape) {
      all_[shape].parent = all_[all_[shape].parent].parent;
      shape = all_[shape].parent;
    }
    return shape;
  }

  int open(const PixelRun& run, int row) {
    const int shape = static_cast<int>(all_.size());
    all_.push_back({shape, {run.from, row}, run.from, run.to, row});
    return shape;
  }

  void extend(int shape, const PixelRun& run, int row) {
    Shape& s = all_[root_of(shape)];
    s.left = std::min(s.left, run.from);
    s.right = std::max(s.right, run.to);
    s.bottom = row;
  }

  /// The earlier one stays, so that `first` holds.
  int merge(int p, int q) {
    p = root_of(p), q = root_of(q);
    if (p == q) return p;
    if (q < p) std::swap(p, q);
    Shape &kept = all_[p], &gone = all_[q];
    gone.parent = p;
    kept.left = std::min(kept.left, gone.left);
    kept.right = std::max(kept.right, gone.right);
    kept.bottom = std::max(kept.bottom, gone.bottom);
    return p;
  }

  /// Shapes of rows further down; what has to be added to their numbers comes back.
  int append(const Shapes& below) {
    const int more = static_cast<int>(all_.size());
    for (Shape shape : below.all_) {
      shape.parent += more;
      all_.push_back(shape);
    }
    return more;
  }

  const std::vector<Shape>& all() const { return all_; }

 private:
  std::vector<Shape> all_;
};

/// Sixteen pixels at a time: where a bit differs from the one before it a run begins or ends.
void read_runs(const cv::Mat& picture, int row, std::vector<PixelRun>& runs) {
  constexpr int kAtOnce = cv::v_uint8x16::nlanes;
  runs.clear();
  const auto* pixel = picture.ptr<unsigned char>(row);
  const int width = picture.cols;
  auto turn = [&runs, open = false](int x) mutable {
    if (open) {
      runs.back().to = x;
    } else {
      runs.push_back({x, x, -1});
    }
    open = !open;
  };
  unsigned before = 0;
  int x = 0;
  for (; x + kAtOnce <= width; x += kAtOnce) {
    const cv::v_uint8x16 set = cv::v_load(pixel + x) != cv::v_setzero_u8();
    const auto bits = static_cast<unsigned>(cv::v_signmask(set));
    for (unsigned turns = (bits ^ (bits << 1 | before)) & 0xffffU; turns != 0; turns &= turns - 1) {
      turn(x + std::countr_zero(turns));
    }
    before = bits >> (kAtOnce - 1);
  }
  for (; x < width; ++x) {
    const unsigned bit = pixel[x] != 0 ? 1 : 0;
    if (bit != before) turn(x);
    before = bit;
  }
  if (before != 0) turn(width);
}

/// Gives the runs of a row the shapes of those above that they touch. Diagonal neighbours count:
/// the run above may end one before or begin one after.
void join_above(const std::vector<PixelRun>& above, std::vector<PixelRun>& here, Shapes& shapes) {
  std::size_t k = 0;
  for (PixelRun& run : here) {
    while (k < above.size() && above[k].to < run.from) ++k;
    for (std::size_t j = k; j < above.size() && above[j].from <= run.to; ++j) {
      run.shape = run.shape < 0 ? above[j].shape : shapes.merge(run.shape, above[j].shape);
    }
  }
}

/// The shapes of some rows, and the runs of the first and last of these.
struct Part {
  Shapes shapes;
  std::vector<PixelRun> first, last;

  Part(const cv::Mat& picture, const cv::Range& rows) {
    std::vector<PixelRun> here;
    for (int row = rows.start; row < rows.end; ++row) {
      read_runs(picture, row, here);
      join_above(last, here, shapes);
      for (PixelRun& run : here) {
        if (run.shape < 0) run.shape = shapes.open(run, row);
        shapes.extend(run.shape, run, row);
      }
      if (row == rows.start) first = here;
      std::swap(last, here);
    }
  }
};

/// The upper half and the lower one, a core each, then joined where they meet.
Shapes find_shapes(const cv::Mat& picture) {
  const int middle = picture.rows / 2;
  std::vector<Part> parts(2, Part(picture, {0, 0}));
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int half = range.start; half < range.end; ++half) {
      parts[half] =
          Part(picture, half == 0 ? cv::Range(0, middle) : cv::Range(middle, picture.rows));
    }
  });
  Shapes shapes = std::move(parts[0].shapes);
  const int more = shapes.append(parts[1].shapes);
  for (PixelRun& run : parts[1].first) run.shape += more;
  // What a run of the lower half belongs to stays known to it; touching ones above are merged in.
  join_above(parts[0].last, parts[1].first, shapes);
  return shapes;
}

/// Follows the border from its first pixel; `framed` has a frame of zeros, one pixel wide.
void follow(const cv::Mat& framed, cv::Point first, std::vector<cv::Point>& border) {
  // Anticlockwise on the screen from the right, as Freeman's chain code.
  static constexpr std::array<int, 8> kX{1, 1, 0, -1, -1, -1, 0, 1}, kY{0, -1, -1, -1, 0, 1, 1, 1};
  const auto step = static_cast<std::ptrdiff_t>(framed.step);
  std::array<std::ptrdiff_t, 8> move{};
  for (std::size_t d = 0; d < 8; ++d) move[d] = kY[d] * step + kX[d];
  const unsigned char* const start = framed.ptr<unsigned char>(first.y + 1) + first.x + 1;
  border.assign(1, first);
  unsigned d = 4;  // what lies to the left of the first pixel is not of the shape
  do {
    d = (d - 1) & 7U;
  } while (d != 4 && start[move[d]] == 0);
  if (d == 4) return;  // a single pixel
  const unsigned char* const last = start + move[d];
  const unsigned char* at = start;
  cv::Point p = first;
  for (;;) {
    do {
      d = (d + 1) & 7U;
    } while (at[move[d]] == 0);
    const unsigned char* const next = at + move[d];
    if (next == start && at == last) return;
    at = next;
    p += cv::Point(kX[d], kY[d]);
    border.push_back(p);
    d = (d + 4) & 7U;
  }
}

}  // namespace

std::vector<std::vector<cv::Point>> outer_borders(const cv::Mat& shapes, int min_round) {
  cv::Mat framed;
  cv::copyMakeBorder(shapes, framed, 1, 1, 1, 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  const Shapes found = find_shapes(shapes);
  std::vector<cv::Point> starts;
  for (int i = static_cast<int>(found.all().size()) - 1; i >= 0; --i) {
    const Shape& shape = found.all()[i];
    const int width = shape.right - shape.left, height = shape.bottom - shape.first.y + 1;
    if (shape.parent == i && 2 * (width + height) >= min_round) starts.push_back(shape.first);
  }
  std::vector<std::vector<cv::Point>> borders(starts.size());
  cv::parallel_for_({0, static_cast<int>(starts.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) follow(framed, starts[i], borders[i]);
  });
  return borders;
}

}  // namespace panecard::card
