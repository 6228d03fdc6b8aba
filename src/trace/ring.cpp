#include "trace/ring.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>

namespace panecard::trace {
namespace {

constexpr int kRays = 1440;
constexpr double kTurn =
    2 * std::numbers::pi / kRays;  // also the step of ln r: the map is conformal
constexpr double kInner_mm = 25, kOuter_mm = 1800;
constexpr int kMaxSlope = 6;  // cells of ln r per ray: edges up to 80 degrees off the ray's normal
constexpr float kBlocked = 50;
// An edge this many times the median gradient is half way from "no edge" to "certainly an edge".
constexpr float kHalfEdge = 6;
constexpr float kFloor = 0.03F;  // cost of the best edge: a shorter curve still wins among equals

struct Ring {
  PointMm centre;
  std::vector<double> radius_mm;  // per column
  cv::Mat root;                   // kRays x columns, CV_32FC3
  cv::Mat valid;                  // CV_8U: inside the photo, away from its border
  std::vector<int> first;         // per ray: first column outside the cards
  int columns() const { return static_cast<int>(radius_mm.size()); }
  PointMm at(int ray, double column) const {
    const double r = kInner_mm * std::exp(column * kTurn), a = ray * kTurn;
    return centre + r * PointMm{std::cos(a), std::sin(a)};
  }
};

// Sum over the channels of the products of the two derivatives.
struct Gradient {
  cv::Mat rr, rt, tt;
  float noise = 1;
};

// The last crossing of the ray with a card, in mm; the curve must pass outside.
double card_reach_mm(const std::vector<PolygonMm>& cards, PointMm centre, double angle) {
  const PointMm u{std::cos(angle), std::sin(angle)};
  double reach = 0;
  for (const PolygonMm& card : cards) {
    for (std::size_t i = 0; i < card.size(); ++i) {
      const PointMm a = card[i] - centre, b = card[(i + 1) % card.size()] - centre;
      const double ca = cross(u, a), cb = cross(u, b);
      if ((ca > 0) == (cb > 0)) continue;
      reach = std::max(reach, dot(u, a + ca / (ca - cb) * (b - a)));
    }
  }
  return reach;
}

Ring sample_ring(const Pyramid& photo, const Sight& sight, const std::vector<PolygonMm>& cards) {
  Ring ring;
  int corners = 0;
  for (const PolygonMm& card : cards) {
    for (const PointMm& p : card) {
      ring.centre = ring.centre + p;
      ++corners;
    }
  }
  ring.centre = (1.0 / corners) * ring.centre;
  for (double r = kInner_mm; r < kOuter_mm; r *= 1 + kTurn) {
    ring.radius_mm.push_back(kInner_mm *
                             std::exp(static_cast<double>(ring.radius_mm.size()) * kTurn));
  }
  const int columns = ring.columns();
  cv::Mat x(kRays, columns, CV_32F), y(kRays, columns, CV_32F);
  cv::Mat inside(kRays, columns, CV_8U);
  const cv::Size size = photo.size();
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    for (int ray = range.start; ray < range.end; ++ray) {
      for (int c = 0; c < columns; ++c) {
        const PointPx p = sight.px(ring.at(ray, c));
        x.at<float>(ray, c) = static_cast<float>(p.x);
        y.at<float>(ray, c) = static_cast<float>(p.y);
        inside.at<unsigned char>(ray, c) =
            p.x >= 1 && p.y >= 1 && p.x <= size.width - 1 && p.y <= size.height - 1;
      }
    }
  });
  // Columns far out cover many pixels each; a block of columns shares one level of the pyramid.
  cv::Mat bgr(kRays, columns, CV_8UC3);
  const double px_per_mm = sight.px_per_mm(ring.centre);
  constexpr int kBlock = 60;
  for (int c = 0; c < columns; c += kBlock) {
    const cv::Range block(c, std::min(c + kBlock, columns));
    const double cell_mm = ring.radius_mm[(block.start + block.end) / 2] * kTurn;
    photo.sample(x.colRange(block), y.colRange(block), px_per_mm * cell_mm)
        .copyTo(bgr.colRange(block));
  }
  cv::Mat wrapped;
  cv::copyMakeBorder(root_intensity(bgr), wrapped, 8, 8, 0, 0, cv::BORDER_WRAP);
  cv::GaussianBlur(wrapped, wrapped, {0, 0}, 1.2, 1.2, cv::BORDER_REPLICATE);
  ring.root = wrapped.rowRange(8, 8 + kRays).clone();
  cv::erode(inside, ring.valid, cv::Mat::ones(11, 11, CV_8U), {-1, -1}, 1, cv::BORDER_CONSTANT, 1);
  ring.first.resize(kRays);
  for (int ray = 0; ray < kRays; ++ray) {
    const double reach = 1.04 * card_reach_mm(cards, ring.centre, ray * kTurn);
    ring.first[ray] =
        reach <= kInner_mm ? 0 : static_cast<int>(std::ceil(std::log(reach / kInner_mm) / kTurn));
  }
  return ring;
}

Gradient gradient(const Ring& ring) {
  const int columns = ring.columns();
  Gradient g{cv::Mat::zeros(kRays, columns, CV_32F), cv::Mat::zeros(kRays, columns, CV_32F),
             cv::Mat::zeros(kRays, columns, CV_32F)};
  cv::Mat radial(kRays, columns, CV_32F, cv::Scalar(0));
  for (int ray = 0; ray < kRays; ++ray) {
    const auto* before = ring.root.ptr<cv::Vec3f>((ray + kRays - 1) % kRays);
    const auto* after = ring.root.ptr<cv::Vec3f>((ray + 1) % kRays);
    const auto* here = ring.root.ptr<cv::Vec3f>(ray);
    auto* rr = g.rr.ptr<float>(ray);
    auto* rt = g.rt.ptr<float>(ray);
    auto* tt = g.tt.ptr<float>(ray);
    auto* size = radial.ptr<float>(ray);
    for (int c = 1; c + 1 < columns; ++c) {
      for (int k = 0; k < 3; ++k) {
        const float along_r = (here[c + 1][k] - here[c - 1][k]) / 2;
        const float along_t = (after[c][k] - before[c][k]) / 2;
        rr[c] += along_r * along_r;
        rt[c] += along_r * along_t;
        tt[c] += along_t * along_t;
      }
      size[c] = std::sqrt(rr[c] / 3);
    }
  }
  std::vector<float> sample;
  for (int ray = 0; ray < kRays; ray += 5) {
    for (int c = 1; c + 1 < columns; c += 5) {
      if (ring.valid.at<unsigned char>(ray, c)) sample.push_back(radial.at<float>(ray, c));
    }
  }
  if (!sample.empty()) {
    std::nth_element(sample.begin(), sample.begin() + sample.size() / 2, sample.end());
    g.noise = 1.48F * sample[sample.size() / 2] + 1e-6F;
  }
  return g;
}

// How little of an edge there is, 0 to 255, for every ray, slope and column (row ray * kSlopes +
// slope): each of the several paths needs it again.
constexpr int kSlopes = 2 * kMaxSlope + 1;

cv::Mat absence_of_edge(const Gradient& g) {
  const int columns = g.rr.cols;
  const float half = 1 / (kHalfEdge * kHalfEdge * g.noise * g.noise);
  cv::Mat out(kRays * kSlopes, columns, CV_8U);
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    for (int ray = range.start; ray < range.end; ++ray) {
      const auto* rr = g.rr.ptr<float>(ray);
      const auto* rt = g.rt.ptr<float>(ray);
      const auto* tt = g.tt.ptr<float>(ray);
      for (int k = -kMaxSlope; k <= kMaxSlope; ++k) {
        const float k_k = static_cast<float>(k * k), two_k = 2.0F * static_cast<float>(k);
        const float scale = half / (1.0F + k_k);
        auto* to = out.ptr<unsigned char>(ray * kSlopes + k + kMaxSlope);
        for (int c = 0; c < columns; ++c) {
          const float across = std::max(0.0F, rr[c] - two_k * rt[c] + k_k * tt[c]) * scale;
          to[c] = static_cast<unsigned char>(static_cast<int>(255.0F / (1 + across) + 0.5F));
        }
      }
    }
  });
  return out;
}

// Minimal closed path: Viterbi once and a half round, the middle lap is then free of the seam.
struct Path {
  std::vector<int> column;  // per ray
  float cost = 0;           // mean per ray
};

Path closed_path(const Ring& ring, const cv::Mat& absence, const cv::Mat& extra) {
  const int columns = ring.columns();
  constexpr float kFar = 1e9F;
  const int laps = kRays + kRays / 2;
  std::vector<float> from(columns + 2 * kMaxSlope, kFar), to(columns + 2 * kMaxSlope, kFar);
  std::fill(from.begin() + kMaxSlope, from.end() - kMaxSlope, 0.0F);
  cv::Mat back(laps, columns, CV_8S);
  std::vector<float> best(columns);
  std::vector<int> step(columns);
  std::vector<float> fixed(columns);
  for (int lap = 0; lap < laps; ++lap) {
    const int ray = lap % kRays;
    const auto* more = extra.ptr<float>(ray);
    std::fill(best.begin(), best.end(), kFar);
    for (int c = 0; c < columns; ++c) fixed[c] = kFloor + more[c];
    for (int k = -kMaxSlope; k <= kMaxSlope; ++k) {
      const float length = std::sqrt(1.0F + static_cast<float>(k * k));
      const float scale = (1 - kFloor) / 255;
      const auto* none = absence.ptr<unsigned char>(ray * kSlopes + k + kMaxSlope);
      const float* prev = from.data() + kMaxSlope - k;
      for (int c = 0; c < columns; ++c) {
        const float cost = prev[c] + length * (scale * static_cast<float>(none[c]) + fixed[c]);
        step[c] = cost < best[c] ? k : step[c];
        best[c] = cost < best[c] ? cost : best[c];
      }
    }
    auto* to_back = back.ptr<signed char>(lap);
    for (int c = 0; c < columns; ++c) {
      to_back[c] = static_cast<signed char>(step[c]);
      to[c + kMaxSlope] = best[c];
    }
    std::swap(from, to);
  }
  const auto end = std::min_element(from.begin() + kMaxSlope, from.end() - kMaxSlope);
  int c = static_cast<int>(end - from.begin()) - kMaxSlope;
  std::vector<int> all(laps);
  for (int lap = laps - 1; lap >= 0; --lap) {
    all[lap] = c;
    c = std::clamp(c - back.at<signed char>(lap, c), 0, columns - 1);
  }
  Path path;
  path.cost = *end / static_cast<float>(laps);
  path.column.resize(kRays);
  const int skip = kRays / 4;
  for (int lap = skip; lap < skip + kRays; ++lap) path.column[lap % kRays] = all[lap];
  return path;
}

// Costs that hold whatever the edges: blind cards, the photo's border, the user's rough points.
cv::Mat fixed_cost(const Ring& ring, const PolygonMm& near) {
  const int columns = ring.columns();
  cv::Mat cost(kRays, columns, CV_32F, cv::Scalar(0));
  for (int ray = 0; ray < kRays; ++ray) {
    auto* to = cost.ptr<float>(ray);
    for (int c = 0; c < columns; ++c) {
      if (c < ring.first[ray]) {
        to[c] = kBlocked;
      } else if (!ring.valid.at<unsigned char>(ray, c)) {
        to[c] = 2;
      }
    }
  }
  constexpr double kReach_mm =
      30;  // a rough point holds the curve within about this much of itself
  for (const PointMm& p : near) {
    const PointMm v = p - ring.centre;
    const double r = norm(v);
    const double angle = std::atan2(v.y, v.x);
    const int ray = (static_cast<int>(std::lround(angle / kTurn)) + kRays) % kRays;
    const int wide = std::max(1, static_cast<int>(kReach_mm / 2 / (r * kTurn)));
    for (int k = -wide; k <= wide; ++k) {
      auto* to = cost.ptr<float>((ray + k + kRays) % kRays);
      for (int c = 0; c < columns; ++c) {
        if (std::abs(ring.radius_mm[c] - r) > kReach_mm) to[c] += 3;
      }
    }
  }
  return cost;
}

using Colour = std::array<float, 3>;

// Luminance and two differences: the body's shade changes along the car, its hue hardly.
Colour shade_and_hue(const cv::Vec3f& root) {
  const float shade = (root[0] + root[1] + root[2]) / 3;
  return {shade, root[0] - shade, root[2] - shade};
}

float median_of(std::vector<float>& v) {
  std::nth_element(v.begin(), v.begin() + v.size() / 2, v.end());
  return v[v.size() / 2];
}

struct Body {
  Colour middle, sigma;
};

// What the body looks like beside each ray: the median just outside the present path over a wide
// window, so that a stretch where the path went astray does not count.
std::vector<Body> body_colours(const Ring& ring, const std::vector<int>& path) {
  constexpr double kFrom_mm = 14, kTo_mm = 26;
  constexpr int kWindow = kRays / 6, kEvery = 9;
  std::vector<Colour> seen(kRays);
  std::vector<bool> has(kRays, false);
  for (int ray = 0; ray < kRays; ++ray) {
    const double r = ring.radius_mm[path[ray]];
    const int a = path[ray] + static_cast<int>(std::ceil(kFrom_mm / (r * kTurn)));
    const int b = path[ray] + static_cast<int>(std::ceil(kTo_mm / (r * kTurn)));
    if (b >= ring.columns()) continue;
    bool inside = true;
    for (int c = a; c <= b; ++c) inside = inside && ring.valid.at<unsigned char>(ray, c) != 0;
    if (!inside) continue;
    for (int k = 0; k < 3; ++k) {
      std::vector<float> v;
      for (int c = a; c <= b; ++c) v.push_back(shade_and_hue(ring.root.at<cv::Vec3f>(ray, c))[k]);
      seen[ray][k] = median_of(v);
    }
    has[ray] = true;
  }
  std::vector<Body> body(kRays);
  for (int start = 0; start < kRays; start += kEvery) {
    Body b{};
    for (int k = 0; k < 3; ++k) {
      std::vector<float> v;
      for (int j = -kWindow; j <= kWindow; j += 3) {
        const int ray = (start + j + kRays) % kRays;
        if (has[ray]) v.push_back(seen[ray][k]);
      }
      if (v.size() < 8) {
        v.clear();
        for (int ray = 0; ray < kRays; ++ray) {
          if (has[ray]) v.push_back(seen[ray][k]);
        }
      }
      if (v.empty()) return {};
      b.middle[k] = median_of(v);
      for (float& x : v) x = std::abs(x - b.middle[k]);
      b.sigma[k] = 1.48F * median_of(v);
    }
    for (int ray = start; ray < std::min(start + kEvery, kRays); ++ray) body[ray] = b;
  }
  return body;
}

// Extra cost for a path that lacks the body on its outer side or has it on its inner side.
void add_body_cost(const Ring& ring, const std::vector<Body>& body, cv::Mat& cost) {
  constexpr float kWeight = 0.6F;
  constexpr double kOutFrom_mm = 2.5, kOutTo_mm = 12, kInFrom_mm = 2, kInTo_mm = 9;
  const int columns = ring.columns();
  Colour grain{};
  for (int k = 0; k < 3; ++k) {
    std::vector<float> v;
    for (int ray = 0; ray < kRays; ray += 7) {
      for (int c = 0; c + 1 < columns; c += 7) {
        if (!ring.valid.at<unsigned char>(ray, c)) continue;
        v.push_back(std::abs(shade_and_hue(ring.root.at<cv::Vec3f>(ray, c + 1))[k] -
                             shade_and_hue(ring.root.at<cv::Vec3f>(ray, c))[k]));
      }
    }
    if (!v.empty()) grain[k] = median_of(v);
  }
  // Shading and dirt: half a grey step of the root scale, a third of that in hue.
  constexpr Colour kShading{0.5F, 0.15F, 0.15F};
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    std::vector<float> sum(columns + 1, 0.0F);
    for (int ray = range.start; ray < range.end; ++ray) {
      Colour weight{};
      for (int k = 0; k < 3; ++k) {
        const float spread = 2 * body[ray].sigma[k], noise = 2 * grain[k];
        weight[k] = 1 / (spread * spread + noise * noise + kShading[k] * kShading[k]);
      }
      const auto* root = ring.root.ptr<cv::Vec3f>(ray);
      for (int c = 0; c < columns; ++c) {
        const Colour here = shade_and_hue(root[c]);
        float d2 = 0;
        for (int k = 0; k < 3; ++k) {
          d2 += weight[k] * (here[k] - body[ray].middle[k]) * (here[k] - body[ray].middle[k]);
        }
        sum[c + 1] = sum[c] + 1 / (1 + d2 / 4);
      }
      auto* to = cost.ptr<float>(ray);
      const auto mean = [&](int a, int b) { return (sum[b] - sum[a]) / static_cast<float>(b - a); };
      for (int c = ring.first[ray]; c < columns; ++c) {
        const double cell_mm = ring.radius_mm[c] * kTurn;
        const int out_a = c + static_cast<int>(std::lround(kOutFrom_mm / cell_mm)) + 1;
        const int out_b = std::min(
            columns, std::max(out_a + 2, c + static_cast<int>(std::lround(kOutTo_mm / cell_mm))));
        const int in_b = c - static_cast<int>(std::lround(kInFrom_mm / cell_mm));
        const int in_a = std::min(in_b - 2, c - static_cast<int>(std::lround(kInTo_mm / cell_mm)));
        const float outside = out_a < out_b ? mean(out_a, out_b) : 0;
        const float inside = in_a >= 0 ? mean(in_a, in_b) : 0;
        to[c] += kWeight * (1 - outside + inside);
      }
    }
  });
}

// Extra cost for a path with a clear edge a little way outside it: the seal's outer edge is the
// last before the body, while reflections and what is behind the glass lie within it.
void add_beyond_cost(const Ring& ring, const Gradient& g, float weight, cv::Mat& cost) {
  constexpr double kFrom_mm = 4, kTo_mm = 30;
  const int columns = ring.columns();
  const float half = 1 / (kHalfEdge * kHalfEdge * g.noise * g.noise);
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    std::vector<float> edge(columns);
    for (int ray = range.start; ray < range.end; ++ray) {
      const auto* rr = g.rr.ptr<float>(ray);
      const auto* tt = g.tt.ptr<float>(ray);
      auto* to = cost.ptr<float>(ray);
      for (int c = 0; c < columns; ++c) {
        const float across = (rr[c] + tt[c]) * half;
        edge[c] = ring.valid.at<unsigned char>(ray, c) != 0 ? across / (1 + across) : 0;
      }
      for (int c = ring.first[ray]; c < columns; ++c) {
        const double cell_mm = ring.radius_mm[c] * kTurn;
        const int a = c + static_cast<int>(std::ceil(kFrom_mm / cell_mm)) + 1;
        const int b = std::min(columns, c + static_cast<int>(std::ceil(kTo_mm / cell_mm)) + 2);
        if (a < b) to[c] += weight * *std::max_element(edge.begin() + a, edge.begin() + b);
      }
    }
  });
}

// The body's colour is learnt from the first path, the path found again with it; the second round
// settles where the first path had strayed for a long way.
Path with_body(const Ring& ring, const Gradient& g, const cv::Mat& absence, const cv::Mat& fixed,
               float beyond, Path path) {
  for (int round = 0; round < 2; ++round) {
    const std::vector<Body> body = body_colours(ring, path.column);
    if (body.empty()) break;
    cv::Mat cost = fixed.clone();
    add_body_cost(ring, body, cost);
    if (beyond > 0) add_beyond_cost(ring, g, beyond, cost);
    Path next = closed_path(ring, absence, cost);
    const bool settled = next.column == path.column;
    path = std::move(next);
    if (settled) break;
  }
  return path;
}

bool inside_photo(const Ring& ring, const Path& path) {
  int outside = 0;
  for (int ray = 0; ray < kRays; ++ray) {
    outside += ring.valid.at<unsigned char>(ray, path.column[ray]) == 0 ? 1 : 0;
  }
  return outside <= kRays / 20;
}

PolygonMm curve_of(const Ring& ring, const Path& path) {
  PolygonMm curve;
  curve.reserve(kRays);
  for (int ray = 0; ray < kRays; ++ray) curve.push_back(ring.at(ray, path.column[ray]));
  return curve;
}

}  // namespace

Result<std::vector<PolygonMm>> find_rings(const Pyramid& photo, const Sight& sight,
                                          const std::vector<PolygonMm>& cards,
                                          const PolygonMm& near) {
  const Ring ring = sample_ring(photo, sight, cards);
  const Gradient g = gradient(ring);
  const cv::Mat absence = absence_of_edge(g);
  const cv::Mat fixed = fixed_cost(ring, near);
  constexpr std::array<float, 3> kBeyond{0.0F, 0.25F, 0.6F};
  std::vector<Path> paths(1 + kBeyond.size());
  paths[0] = closed_path(ring, absence, fixed);
  cv::parallel_for_({0, static_cast<int>(kBeyond.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      paths[i + 1] = with_body(ring, g, absence, fixed, kBeyond[i], paths[0]);
    }
  });
  std::vector<PolygonMm> curves;
  for (const Path& path : paths) {
    if (inside_photo(ring, path)) curves.push_back(curve_of(ring, path));
  }
  if (curves.empty()) {
    return Error{Code::boundary_not_seen,
                 "no closed boundary around the cards inside the photo: step back until the whole "
                 "pane and some of the body around it are in the picture"};
  }
  return curves;
}

}  // namespace panecard::trace
