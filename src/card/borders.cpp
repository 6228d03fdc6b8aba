#include "card/borders.h"

#include <algorithm>
#include <array>
#include <bit>
#include <opencv2/core/hal/intrin.hpp>
#include <utility>

namespace panecard::card {
namespace {

/// A run of non-zero pixels in one row, [from, to), and its component.
struct PixelRun {
  int from, to, component;
};

/// A component with its bounding box; `parent` is its link in the union-find forest.
struct Component {
  int parent;
  cv::Point first;  ///< in the order of rows, then columns
  int left, right, bottom;
};

class Components {
 public:
  int root_of(int component) {
    while (all_[component].parent != component) {
      all_[component].parent = all_[all_[component].parent].parent;
      component = all_[component].parent;
    }
    return component;
  }

  int open(const PixelRun& run, int row) {
    const int component = static_cast<int>(all_.size());
    all_.push_back({component, {run.from, row}, run.from, run.to, row});
    return component;
  }

  void extend(int component, const PixelRun& run, int row) {
    Component& s = all_[root_of(component)];
    s.left = std::min(s.left, run.from);
    s.right = std::max(s.right, run.to);
    s.bottom = row;
  }

  /// The earlier component becomes the root, so that `first` stays right.
  int merge(int p, int q) {
    p = root_of(p), q = root_of(q);
    if (p == q) return p;
    if (q < p) std::swap(p, q);
    Component &kept = all_[p], &gone = all_[q];
    gone.parent = p;
    kept.left = std::min(kept.left, gone.left);
    kept.right = std::max(kept.right, gone.right);
    kept.bottom = std::max(kept.bottom, gone.bottom);
    return p;
  }

  /// Appends the components of rows further down; returns the offset of their labels.
  int append(const Components& below) {
    const int more = static_cast<int>(all_.size());
    for (Component component : below.all_) {
      component.parent += more;
      all_.push_back(component);
    }
    return more;
  }

  const std::vector<Component>& all() const { return all_; }

 private:
  std::vector<Component> all_;
};

/// Sixteen pixels at a time (SIMD): a run begins or ends where a bit differs from the previous one.
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

/// Labels the runs of a row by the runs above that they touch (8-connectivity: the run above may
/// end one pixel before or begin one after).
void join_above(const std::vector<PixelRun>& above, std::vector<PixelRun>& here,
                Components& components) {
  std::size_t k = 0;
  for (PixelRun& run : here) {
    while (k < above.size() && above[k].to < run.from) ++k;
    for (std::size_t j = k; j < above.size() && above[j].from <= run.to; ++j) {
      run.component = run.component < 0 ? above[j].component
                                        : components.merge(run.component, above[j].component);
    }
  }
}

/// The components of a band of rows, and the runs of its first and last row.
struct Part {
  Components components;
  std::vector<PixelRun> first, last;

  Part(const cv::Mat& picture, const cv::Range& rows) {
    std::vector<PixelRun> here;
    for (int row = rows.start; row < rows.end; ++row) {
      read_runs(picture, row, here);
      join_above(last, here, components);
      for (PixelRun& run : here) {
        if (run.component < 0) run.component = components.open(run, row);
        components.extend(run.component, run, row);
      }
      if (row == rows.start) first = here;
      std::swap(last, here);
    }
  }
};

/// The two halves of the image in parallel, then merged along their common border.
Components label_components(const cv::Mat& picture) {
  const int middle = picture.rows / 2;
  std::vector<Part> parts(2, Part(picture, {0, 0}));
  cv::parallel_for_({0, 2}, [&](const cv::Range& range) {
    for (int half = range.start; half < range.end; ++half) {
      parts[half] =
          Part(picture, half == 0 ? cv::Range(0, middle) : cv::Range(middle, picture.rows));
    }
  });
  Components components = std::move(parts[0].components);
  const int more = components.append(parts[1].components);
  for (PixelRun& run : parts[1].first) run.component += more;
  // Runs of the lower half keep their labels; touching runs above are merged into those.
  join_above(parts[0].last, parts[1].first, components);
  return components;
}

/// Follows the border from its first pixel; `framed` has a frame of zeros, one pixel wide.
void follow_border(const cv::Mat& framed, cv::Point first, std::vector<cv::Point>& border) {
  // Directions of Freeman's chain code: anticlockwise on the screen, from the right.
  static constexpr std::array<int, 8> kX{1, 1, 0, -1, -1, -1, 0, 1}, kY{0, -1, -1, -1, 0, 1, 1, 1};
  const auto step = static_cast<std::ptrdiff_t>(framed.step);
  std::array<std::ptrdiff_t, 8> move{};
  for (std::size_t d = 0; d < 8; ++d) move[d] = kY[d] * step + kX[d];
  const unsigned char* const start = framed.ptr<unsigned char>(first.y + 1) + first.x + 1;
  border.assign(1, first);
  unsigned d = 4;  // the pixel to the left of the first one is background
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

std::vector<std::vector<cv::Point>> outer_borders(const cv::Mat& binary, int min_perimeter_px) {
  cv::Mat framed;
  cv::copyMakeBorder(binary, framed, 1, 1, 1, 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  const Components found = label_components(binary);
  std::vector<cv::Point> starts;
  for (int i = static_cast<int>(found.all().size()) - 1; i >= 0; --i) {
    const Component& component = found.all()[i];
    const int width = component.right - component.left,
              height = component.bottom - component.first.y + 1;
    if (component.parent == i && 2 * (width + height) >= min_perimeter_px)
      starts.push_back(component.first);
  }
  std::vector<std::vector<cv::Point>> borders(starts.size());
  cv::parallel_for_({0, static_cast<int>(starts.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) follow_border(framed, starts[i], borders[i]);
  });
  return borders;
}

}  // namespace panecard::card
