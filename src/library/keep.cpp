#include "library/keep.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "fusion/fusion.h"
#include "library/validate.h"
#include "records/records.h"

namespace panecard::library {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kKept = "kept";

std::int64_t on_grid(double value, double grid) { return std::llround(value / grid); }
std::int64_t up_on_grid(double value, double grid) {
  constexpr double kRounding = 1e-6;  // a value on the grid stays there
  return static_cast<std::int64_t>(std::ceil(value / grid - kRounding));
}

template <typename Point>
std::vector<GridPoint> grid_points(const std::vector<Point>& points, double grid) {
  std::vector<GridPoint> out;
  out.reserve(points.size());
  for (const Point& p : points) out.push_back({on_grid(p.x, grid), on_grid(p.y, grid)});
  return out;
}

/// Sources of error at every point.
struct Shifts {
  std::vector<std::string> names;
  std::vector<std::vector<double>> outwards, along;
  std::vector<double> noise;   ///< sigma
  std::vector<double> sigmas;  ///< outwards, of everything
};

Shifts shifts_of(const Contour& contour) {
  const PolygonMm normals = outward_normals(contour.points);
  Shifts out;
  out.noise = contour.sigma_mm;
  std::vector<double> variance(contour.points.size());
  for (std::size_t i = 0; i < variance.size(); ++i) variance[i] = out.noise[i] * out.noise[i];
  for (std::size_t m = 0; m < contour.modes.size(); ++m) {
    out.names.push_back(contour.mode_sources[m].text());
    std::vector<double> outwards(variance.size()), along(variance.size());
    for (std::size_t i = 0; i < variance.size(); ++i) {
      outwards[i] = dot(contour.modes[m][i], normals[i]);
      along[i] = cross(normals[i], contour.modes[m][i]);
      variance[i] += outwards[i] * outwards[i];
    }
    out.outwards.push_back(std::move(outwards)), out.along.push_back(std::move(along));
  }
  for (const double v : variance) out.sigmas.push_back(std::sqrt(v));
  return out;
}

/// From where on every source is linear to where, within a small part of the whole plus-minus.
bool linear_between(const Shifts& a, const std::vector<double>& run, std::size_t from,
                    std::size_t to) {
  constexpr double kPart = 0.05;
  const std::size_t n = a.sigmas.size();
  const double whole = run[to] - run[from];
  for (std::size_t i = from + 1; i < to; ++i) {
    const double t = whole > 0 ? (run[i] - run[from]) / whole : 0;
    double squares = std::pow((1 - t) * a.noise[from] + t * a.noise[to % n] - a.noise[i], 2);
    const auto off = [&](const std::vector<double>& s) {
      return (1 - t) * s[from] + t * s[to % n] - s[i];
    };
    for (std::size_t m = 0; m < a.outwards.size(); ++m) {
      squares += std::pow(off(a.outwards[m]), 2) + std::pow(off(a.along[m]) / kAlongSteps, 2);
    }
    if (squares > kPart * kPart * a.sigmas[i] * a.sigmas[i]) return false;
  }
  return true;
}

std::vector<double> arc_lengths(const PolygonMm& points) {
  std::vector<double> run = {0};
  for (std::size_t i = 0; i < points.size(); ++i) {
    run.push_back(run.back() + distance(points[i], points[(i + 1) % points.size()]));
  }
  return run;
}

std::vector<std::int64_t> stations(const Shifts& a, const std::vector<double>& run) {
  constexpr std::size_t kFurthest = 50;
  std::vector<std::int64_t> out = {0};
  for (std::size_t i = 1; i < a.sigmas.size(); ++i) {
    const auto from = static_cast<std::size_t>(out.back());
    if (i + 1 - from > kFurthest || !linear_between(a, run, from, i + 1)) {
      out.push_back(static_cast<std::int64_t>(i));
    }
  }
  return out;
}

/// Calls fn(point, station before it, share of the one behind) for every point.
template <typename Fn>
void between_stations(const Kept& k, const std::vector<double>& run, const Fn& fn) {
  for (std::size_t s = 0; s < k.stations.size(); ++s) {
    const auto from = static_cast<std::size_t>(k.stations[s]);
    const auto to =
        s + 1 < k.stations.size() ? static_cast<std::size_t>(k.stations[s + 1]) : k.outline.size();
    const double whole = run[to] - run[from];
    for (std::size_t i = from; i < to; ++i) {
      fn(i, s, whole > 0 ? (run[i] - run[from]) / whole : 0.0);
    }
  }
}

/// Raises the noise at the stations until no point is more certain than it was.
void keep_all_doubt(const Shifts& a, const std::vector<double>& run, Kept& k) {
  const double step = static_cast<double>(k.step) * kGridStep_mm;
  const std::size_t count = k.stations.size();
  std::vector<double> wanted(count);
  between_stations(k, run, [&](std::size_t i, std::size_t s, double t) {
    const std::size_t next = (s + 1) % count;
    double variance = a.sigmas[i] * a.sigmas[i];
    for (const KeptSource& source : k.sources) {
      const double shift = step * ((1 - t) * static_cast<double>(source.outwards[s]) +
                                   t * static_cast<double>(source.outwards[next]));
      variance -= shift * shift;
    }
    const double noise = variance > 0 ? std::sqrt(variance) : 0;
    wanted[s] = std::max(wanted[s], noise);
    if (t > 0) wanted[next] = std::max(wanted[next], noise);
  });
  for (const double w : wanted) k.noise.push_back(up_on_grid(w, step));
}

void keep_sources(const Contour& contour, Kept& k) {
  const Shifts a = shifts_of(fusion::with_fewer_modes(contour));
  const std::vector<double> run = arc_lengths(contour.points);
  k.sources_known = true;
  k.alike = on_grid(contour.correlation_length_mm, kGrid_mm);
  k.stations = stations(a, run);
  std::vector<double> sorted = a.sigmas;
  std::sort(sorted.begin(), sorted.end());
  // Rounding, uniform in each source, adds up to 3 % of a small plus-minus.
  constexpr double kPart = 0.03;
  const double rounding = kPart * sorted[sorted.size() / 10] *
                          std::sqrt(12 / (1 + static_cast<double>(a.outwards.size())));
  k.step = std::max<std::int64_t>(1, on_grid(rounding, kGridStep_mm));
  const double step = static_cast<double>(k.step) * kGridStep_mm;
  const auto is_zero = [](std::int64_t v) { return v == 0; };
  for (std::size_t m = 0; m < a.outwards.size(); ++m) {
    KeptSource source{a.names[m], {}, {}};
    for (const std::int64_t station : k.stations) {
      const auto at = static_cast<std::size_t>(station);
      source.outwards.push_back(on_grid(a.outwards[m][at], step));
      source.along.push_back(on_grid(a.along[m][at], kAlongSteps * step));
    }
    const bool nothing = std::all_of(source.outwards.begin(), source.outwards.end(), is_zero) &&
                         std::all_of(source.along.begin(), source.along.end(), is_zero);
    if (!nothing) k.sources.push_back(std::move(source));
  }
  keep_all_doubt(a, run, k);
}

/// The sources of a file that we wrote ourselves: they lie on its grid already.
void keep_again(const Json& root, const Contour& contour, Kept& k) {
  k.sources_known = true;
  k.alike = on_grid(contour.correlation_length_mm, kGrid_mm);
  k.step = on_grid(root[kKept]["step_mm"].get<double>(), kGridStep_mm);
  const double step = static_cast<double>(k.step) * kGridStep_mm;
  const PolygonMm normals = outward_normals(contour.points);
  for (const Json& at : root["covariance"]["at"]) k.stations.push_back(at.get<std::int64_t>());
  for (const std::int64_t at : k.stations) {
    k.noise.push_back(on_grid(contour.sigma_mm[static_cast<std::size_t>(at)], step));
  }
  for (std::size_t m = 0; m < contour.modes.size(); ++m) {
    KeptSource source{contour.mode_sources[m].text(), {}, {}};
    for (const std::int64_t station : k.stations) {
      const auto at = static_cast<std::size_t>(station);
      source.outwards.push_back(on_grid(dot(contour.modes[m][at], normals[at]), step));
      source.along.push_back(on_grid(cross(normals[at], contour.modes[m][at]), kAlongSteps * step));
    }
    k.sources.push_back(std::move(source));
  }
}

bool written_by_us(const Json& root) {
  const auto kept = root.find(kKept);
  if (kept == root.end() || !kept->is_object()) return false;
  const auto step = kept->find("step_mm");
  constexpr double kMost_mm = 10;
  return step != kept->end() && step->is_number() && step->get<double>() >= kGridStep_mm &&
         step->get<double>() <= kMost_mm;
}

Kept kept_of(const Json& root, const records::StoredOutline& stored) {
  Kept k;
  const Contour& contour = stored.shape.contour;
  k.outline = grid_points(contour.points, kGrid_mm);
  k.pixels = grid_points(contour.points_px, kGrid_px);
  for (const double u : stored.shape.u95_mm) k.u95.push_back(up_on_grid(u, kGridU95_mm));
  const auto seen = root.find("seen");
  if (seen != root.end() && seen->is_array() && seen->size() == k.outline.size()) {
    for (const Json& s : *seen) k.seen.push_back(s.is_boolean() && !s.get<bool>() ? 0 : 1);
  }
  if (stored.shape.sources_known) {
    // On the grid first: the normals, and with them the sources, are those of the points kept.
    Contour exact = contour;
    exact.points = outline_of(k);
    if (written_by_us(root)) {
      keep_again(root, exact, k);
    } else {
      keep_sources(exact, k);
    }
  }
  Json head = root;
  for (const char* name : kPackedFields) head.erase(name);
  k.head = head.dump();
  return k;
}

std::string number(double value) { return to_text(value, 6); }
std::string pair(double x, double y) { return "[" + number(x) + "," + number(y) + "]"; }

/// A list whose lines stay short, so that a change shows where it is.
template <typename Text>
std::string wrapped(std::size_t count, const std::string& indent, const Text& text) {
  constexpr std::size_t kWidth = 100;
  std::string out = "[", line;
  for (std::size_t i = 0; i < count; ++i) {
    line += text(i);
    if (i + 1 < count) line += ",";
    if (line.size() < kWidth && i + 1 < count) continue;
    out.append("\n").append(indent).append(line);
    line.clear();
  }
  return out + "]";
}

std::string covariance_text(const Kept& k) {
  if (!k.sources_known) return "null";
  const double step = static_cast<double>(k.step) * kGridStep_mm;
  const PolygonMm normals = outward_normals(outline_of(k));
  const std::size_t count = k.stations.size();
  std::string out = "{\n    \"at\": ";
  out += wrapped(count, "      ", [&](std::size_t i) { return std::to_string(k.stations[i]); });
  out += ",\n    \"noise_sigma_mm\": " + wrapped(count, "      ", [&](std::size_t i) {
           return number(step * static_cast<double>(k.noise[i]));
         });
  out += ",\n    \"noise_alike_mm\": " + number(kGrid_mm * static_cast<double>(k.alike));
  out += ",\n    \"sources\": [";
  for (std::size_t s = 0; s < k.sources.size(); ++s) {
    const KeptSource& source = k.sources[s];
    out += s > 0 ? ",\n" : "\n";
    out += "      {\"name\": " + Json(source.name).dump() + ", \"shift_mm\": ";
    out += wrapped(count, "        ", [&](std::size_t i) {
      const double out_mm = step * static_cast<double>(source.outwards[i]);
      const double along_mm = kAlongSteps * step * static_cast<double>(source.along[i]);
      const PointMm n = normals[static_cast<std::size_t>(k.stations[i])];
      return pair(out_mm * n.x - along_mm * n.y, out_mm * n.y + along_mm * n.x);
    });
    out += "}";
  }
  return out + "]\n  }";
}

}  // namespace

Result<Kept> keep(const std::string& result_json, const std::string& name) {
  auto stored = records::result_in(result_json, name);
  if (!stored.ok()) return stored.error();
  const Json root = Json::parse(result_json);
  Kept kept = kept_of(root, stored.value());
  if (const auto why = contradiction_in(kept, Part::all)) {
    return Error{Code::unreadable_file,
                 "'" + name + "' cannot be kept: " + *why + "; measure the pane again"};
  }
  return kept;
}

std::string to_result_json(const Kept& k) {
  const Json head = Json::parse(k.head);
  std::string out = "{\n";
  for (const auto& [key, value] : head.items()) {
    out += "  " + Json(key).dump() + ": " + value.dump() + ",\n";
  }
  const std::size_t n = k.outline.size();
  out += "  \"outline_mm\": " + wrapped(n, "    ", [&](std::size_t i) {
           return pair(kGrid_mm * static_cast<double>(k.outline[i].x),
                       kGrid_mm * static_cast<double>(k.outline[i].y));
         });
  out += ",\n  \"outline_u95_mm\": " + wrapped(n, "    ", [&](std::size_t i) {
           return number(kGridU95_mm * static_cast<double>(k.u95[i]));
         });
  out += ",\n  \"outline_px\": " + wrapped(k.pixels.size(), "    ", [&](std::size_t i) {
           return pair(kGrid_px * static_cast<double>(k.pixels[i].x),
                       kGrid_px * static_cast<double>(k.pixels[i].y));
         });
  if (!k.seen.empty()) {
    out += ",\n  \"seen\": " + wrapped(n, "    ", [&](std::size_t i) {
             return std::string(k.seen[i] != 0 ? "true" : "false");
           });
  }
  out += ",\n  \"covariance\": " + covariance_text(k);
  if (k.sources_known) {
    out +=
        ",\n  \"kept\": {\"step_mm\": " + number(kGridStep_mm * static_cast<double>(k.step)) + "}";
  }
  return out + "\n}\n";
}

PolygonMm outline_of(const Kept& k) {
  PolygonMm out;
  out.reserve(k.outline.size());
  for (const GridPoint p : k.outline) {
    out.push_back({kGrid_mm * static_cast<double>(p.x), kGrid_mm * static_cast<double>(p.y)});
  }
  return out;
}

check::Shape shape_of(const Kept& k) {
  check::Shape shape;
  Contour& contour = shape.contour;
  contour.points = outline_of(k);
  for (const GridPoint p : k.pixels) {
    contour.points_px.push_back(
        {kGrid_px * static_cast<double>(p.x), kGrid_px * static_cast<double>(p.y)});
  }
  for (const std::int64_t u : k.u95) shape.u95_mm.push_back(kGridU95_mm * static_cast<double>(u));
  for (const std::int64_t s : k.seen) contour.seen.push_back(s != 0);
  shape.sources_known = k.sources_known;
  if (!k.sources_known) return shape;
  const double step = static_cast<double>(k.step) * kGridStep_mm;
  const PolygonMm normals = outward_normals(contour.points);
  const std::vector<double> run = arc_lengths(contour.points);
  const std::size_t count = k.stations.size();
  const auto at = [&](const std::vector<std::int64_t>& values, std::size_t s, double t) {
    return step * ((1 - t) * static_cast<double>(values[s]) +
                   t * static_cast<double>(values[(s + 1) % count]));
  };
  contour.correlation_length_mm = kGrid_mm * static_cast<double>(k.alike);
  contour.sigma_mm.resize(k.outline.size());
  for (const KeptSource& source : k.sources) {
    contour.mode_sources.emplace_back(source.name);
    contour.modes.emplace_back(k.outline.size());
  }
  between_stations(k, run, [&](std::size_t i, std::size_t s, double t) {
    contour.sigma_mm[i] = at(k.noise, s, t);
    for (std::size_t m = 0; m < k.sources.size(); ++m) {
      contour.modes[m][i] =
          at(k.sources[m].outwards, s, t) * normals[i] +
          kAlongSteps * at(k.sources[m].along, s, t) * PointMm{-normals[i].y, normals[i].x};
    }
  });
  return shape;
}

}  // namespace panecard::library
