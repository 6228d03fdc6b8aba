#include "trace/ring.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "trace/polar.h"
#include "trace/ring_body.h"
#include "trace/ring_edges.h"
#include "trace/ring_path.h"

namespace panecard::trace {
namespace {

constexpr int kBlocked = kMostCost;
using Path = std::vector<int>;  // column per ray

void add(float cost, unsigned short& to) {
  const float up = kUnit * cost + 0.5F;
  to =
      static_cast<unsigned short>(std::min(kMostCost, static_cast<int>(to) + static_cast<int>(up)));
}

// Costs that hold whatever the edges: blind cards, the photo's border, the user's rough points.
cv::Mat fixed_cost(const Polar& polar, const PolygonMm& near) {
  const int columns = polar.columns();
  cv::Mat cost(kRays, padded(columns), CV_16U, cv::Scalar(0));
  for (int ray = 0; ray < kRays; ++ray) {
    auto* to = cost.ptr<unsigned short>(ray);
    for (int c = 0; c < columns; ++c) {
      if (c < polar.first[ray]) {
        to[c] = kBlocked;
      } else if (polar.valid.at<unsigned char>(ray, c) == 0) {
        // Dearer than what is seen, cheaper than another way inside: a pane that the photo cuts off
        // shall be found to be.
        to[c] = kUnit / 2;
      }
    }
  }
  constexpr double kReach_mm =
      30;  // a rough point holds the curve within about this much of itself
  for (const PointMm& p : near) {
    const PointMm v = p - polar.centre;
    const double r = norm(v);
    const double angle = std::atan2(v.y, v.x);
    const int ray = wrapped(static_cast<int>(std::lround(angle / kTurn)), kRays);
    const int wide = std::max(1, static_cast<int>(kReach_mm / 2 / (r * kTurn)));
    for (int k = -wide; k <= wide; ++k) {
      auto* to = cost.ptr<unsigned short>(wrapped(ray + k, kRays));
      for (int c = 0; c < columns; ++c) {
        if (std::abs(polar.radius_mm[c] - r) > kReach_mm) add(3, to[c]);
      }
    }
  }
  return cost;
}

// What all paths share.
struct Costs {
  Edges edges;
  cv::Mat fixed;
  BodyScale body;
};

// What a path costs beside its edges: what holds for all, the lack of a body, and `beyond` for what
// lies further out.
cv::Mat sum_of(const Polar& polar, const Costs& costs, const cv::Mat& body, float beyond) {
  cv::Mat sum(body.size(), CV_16U);
  const auto share = static_cast<int>(std::lround(256 * beyond));
  cv::parallel_for_({0, kRays}, [&](const cv::Range& range) {
    for (int ray = range.start; ray < range.end; ++ray) {
      const auto *fixed = costs.fixed.ptr<unsigned short>(ray),
                 *lack = body.ptr<unsigned short>(ray);
      const auto* edge = costs.edges.beyond.ptr<unsigned char>(ray);
      auto* to = sum.ptr<unsigned short>(ray);
      for (int c = 0; c < polar.columns(); ++c) {
        const int all = fixed[c] + lack[c] + ((share * edge[c] + 128) >> 8);
        to[c] = static_cast<unsigned short>(std::min(kMostCost, all));
      }
      std::fill(to + polar.columns(), to + sum.cols, static_cast<unsigned short>(kMostCost));
    }
  });
  return sum;
}

// The body's colour is learnt from the first path, along edges alone, and the path found again with
// it, for each weight of what lies beyond; the second round settles where the first path had
// strayed for a long way.
std::vector<Path> all_paths(const Polar& polar, const Costs& costs) {
  constexpr std::array<float, 3> kBeyond{0.0F, 0.25F, 0.6F};
  const int columns = polar.columns();
  std::vector<Path> paths{ring_path(costs.edges, costs.fixed, columns)};
  const std::vector<Body> first_body = body_colours(polar, paths[0]);
  if (first_body.empty()) return paths;
  const cv::Mat first_cost = body_cost(polar, costs.body, first_body);
  paths.resize(1 + kBeyond.size());
  cv::parallel_for_({0, static_cast<int>(kBeyond.size())}, [&](const cv::Range& range) {
    for (int i = range.start; i < range.end; ++i) {
      Path& path = paths[i + 1];
      path = ring_path(costs.edges, sum_of(polar, costs, first_cost, kBeyond[i]), columns);
      const std::vector<Body> body = body_colours(polar, path);
      if (body.empty()) continue;
      const cv::Mat cost = body_cost(polar, costs.body, body);
      path = ring_path(costs.edges, sum_of(polar, costs, cost, kBeyond[i]), columns);
    }
  });
  return paths;
}

bool inside_photo(const Polar& polar, const Path& path) {
  int outside = 0;
  for (int ray = 0; ray < kRays; ++ray) {
    outside += polar.valid.at<unsigned char>(ray, path[ray]) == 0 ? 1 : 0;
  }
  return outside <= kRays / 20;
}

PolygonMm curve_of(const Polar& polar, const Path& path) {
  PolygonMm curve;
  curve.reserve(kRays);
  for (int ray = 0; ray < kRays; ++ray) curve.push_back(polar.at(ray, path[ray]));
  return curve;
}

}  // namespace

struct Rings::Search {
  Polar polar;
  Costs costs;
};

Rings::Rings(std::unique_ptr<Search> search) : search_(std::move(search)) {}
Rings::Rings(Rings&&) noexcept = default;
Rings& Rings::operator=(Rings&&) noexcept = default;
Rings::~Rings() = default;

Result<Rings> Rings::find(const Pyramid& photo, const Sight& sight,
                          const std::vector<PolygonMm>& cards, const PolygonMm& near) {
  Rings rings(std::make_unique<Search>());
  rings.search_->polar = sample_polar(photo, sight, cards);
  const Polar& polar = rings.search_->polar;
  constexpr int kLeastColumns = 16;  // less is no pane but the cards' rim
  if (polar.columns() >= kLeastColumns) {
    rings.search_->costs = {look_for_edges(polar), fixed_cost(polar, near), body_scale_of(polar)};
    const std::vector<Path> paths = all_paths(polar, rings.search_->costs);
    for (const Path& path : paths) {
      if (inside_photo(polar, path)) rings.curves_.push_back(curve_of(polar, path));
    }
  }
  if (rings.curves_.empty()) {
    return Error{Code::boundary_not_seen,
                 "no closed boundary around the cards inside the photo: step back until the whole "
                 "pane and some of the body around it are in the picture"};
  }
  return rings;
}

std::vector<PolygonMm> Rings::other_ways(const std::vector<double>& inner_mm,
                                         const std::vector<double>& outer_mm,
                                         const std::vector<Rays>& parts) const {
  constexpr double kAround_mm = 8;
  constexpr float kBarred = 2;  // two cells without any edge for each that is not allowed
  const Polar& polar = search_->polar;
  const Costs& costs = search_->costs;
  const int columns = polar.columns();
  Path taken(kRays);
  for (int ray = 0; ray < kRays; ++ray) {
    const auto at = std::lower_bound(polar.radius_mm.begin(), polar.radius_mm.end(), outer_mm[ray]);
    taken[ray] = std::min(static_cast<int>(at - polar.radius_mm.begin()), columns - 1);
  }
  cv::Mat start = costs.fixed;
  const std::vector<Body> body = body_colours(polar, taken);
  if (!body.empty()) start = sum_of(polar, costs, body_cost(polar, costs.body, body), 0);
  std::vector<Path> paths(parts.size());
  cv::parallel_for_({0, static_cast<int>(parts.size())}, [&](const cv::Range& range) {
    for (int part = range.start; part < range.end; ++part) {
      cv::Mat cost = start.clone();
      for (int k = 0; k < kRays; ++k) {
        const int ray = (parts[part].first + k) % kRays;
        const bool closed = k < parts[part].count;
        auto* to = cost.ptr<unsigned short>(ray);
        for (int c = 0; c < columns; ++c) {
          const double r = polar.radius_mm[c];
          const bool within = r > inner_mm[ray] - kAround_mm && r < outer_mm[ray] + kAround_mm;
          if (within == closed) add(kBarred, to[c]);
        }
      }
      paths[part] = ring_path(costs.edges, cost, columns);
    }
  });
  std::vector<PolygonMm> curves;
  for (const Path& path : paths) {
    if (inside_photo(polar, path)) curves.push_back(curve_of(polar, path));
  }
  return curves;
}

}  // namespace panecard::trace
