#include "trace/look.h"

#include <cmath>
#include <utility>

#include "trace/evidence.h"
#include "trace/rivals.h"

namespace panecard::trace {
namespace {

struct Sharpness {
  double row_mm, half_mm, step_mm, sigma_mm;
  float cap;
  double smooth_mm;
  Steps steps;
};

// The straighter the edges lie in the strip, the sharper they may be looked at. Each strip holds
// the widest seal, whichever of its edges is in the middle, and the body beyond it.
constexpr Sharpness kPasses[] = {{4, 36, 0.5, 0.6, 4, 6, {4, 0.075F, 0.2F}},
                                 {2, 34, 0.5, 0.5, 5, 5, {2, 0.3F, 0.9F}},
                                 {2, 36, 0.25, 0.3, 6, 4, {1, 0.3F, 0.9F}}};

const Sharpness& sharpness_of(Pass pass) { return kPasses[static_cast<int>(pass)]; }

// Where each row's normal passes the user's rough points, NaN where there is none close by.
std::vector<double> near_offsets(const Strip& strip, const PolygonMm& near) {
  if (near.empty()) return {};
  constexpr double kReach_mm = 15;
  std::vector<double> out(strip.curve.size(), std::nan(""));
  for (std::size_t i = 0; i < strip.curve.size(); ++i) {
    double closest = kReach_mm;
    for (const PointMm& p : near) {
      const PointMm v = p - strip.curve[i];
      const double aside = std::abs(cross(strip.normals[i], v));
      if (aside < closest) {
        closest = aside;
        out[i] = dot(strip.normals[i], v);
      }
    }
  }
  return out;
}

Materials learn(const Evidence& e, const PairPath& path) {
  std::vector<int> outer(path.cell.size());
  for (std::size_t i = 0; i < outer.size(); ++i) outer[i] = path.cell[i] + path.width[i];
  return learn_materials(e.tone, path.cell, outer);
}

}  // namespace

double row_mm(Pass pass) { return sharpness_of(pass).row_mm; }

Sighted look_along(const View& view, const PolygonMm& curve, Pass pass) {
  const Sharpness& s = sharpness_of(pass);
  Strip strip = unwrap(view.photo, view.sight, view.cards,
                       resample(smooth_closed(resample(curve, 1.0), s.smooth_mm), s.row_mm),
                       s.half_mm, s.step_mm);
  Evidence e = evidence_of(strip, s.row_mm, s.sigma_mm, s.cap);
  return {std::move(strip), std::move(e)};
}

Ribbon ribbon_in(const Sighted& sighted, const PolygonMm& near, Pass pass, Belief belief,
                 Materials& materials) {
  const Strip& strip = sighted.strip;
  Evidence e = sighted.evidence;
  belief.near_mm = near_offsets(strip, near);
  if (materials.seal.empty()) materials = learn(e, best_path(e, belief, sharpness_of(pass).steps));
  if (!materials.seal.empty()) e.like = likeness(e.tone, materials);
  const PairPath path = best_path(e, belief, sharpness_of(pass).steps);
  materials = learn(e, path);
  Ribbon ribbon;
  ribbon.score = path.score;
  for (std::size_t k = 0; k < strip.curve.size(); ++k) {
    ribbon.inner_mm.push_back(e.first_mm + path.cell[k]);
    ribbon.width_mm.push_back(path.width[k]);
    ribbon.sure.push_back(path.sure[k]);
    // An edge of twice the usual change: log(1 + 1).
    ribbon.outer_seen.push_back(
        e.across.at<float>(static_cast<int>(k), path.cell[k] + path.width[k]) > 0.7F);
  }
  weigh_rivals(path, row_mm(pass), ribbon);
  ribbon.curve = strip.curve;
  ribbon.normals = strip.normals;
  return ribbon;
}

Ribbon look(const View& view, const PolygonMm& curve, Pass pass, const Belief& belief,
            Materials& materials) {
  return ribbon_in(look_along(view, curve, pass), view.near, pass, belief, materials);
}

Belief about_outer(double width_mm) {
  Belief belief;
  belief.width_mm = width_mm;
  belief.outer_from_mm = -6;
  belief.outer_to_mm = 6;
  return belief;
}

Belief about_inner(double width_mm, double within_mm) {
  Belief belief;
  belief.width_mm = width_mm;
  belief.inner_within_mm = within_mm;
  return belief;
}

}  // namespace panecard::trace
