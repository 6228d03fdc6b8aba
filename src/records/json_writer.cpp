#include "records/json_writer.h"

#include <cmath>

namespace panecard::records {
namespace {

// A bulge of 1e-8 lifts a chord of 50 m by a quarter of a micrometre.
double ratio(double v) { return std::round(v * 1e8) / 1e8; }

}  // namespace

double mm(double v) { return std::round(v * 1e4) / 1e4; }

Written written(const std::vector<ArcVertex>& arcs) {
  Written out = Written::array();
  for (const ArcVertex& v : arcs) out.push_back({mm(v.at.x), mm(v.at.y), ratio(v.bulge)});
  return out;
}

Written written(const std::vector<Finding>& findings) {
  Written out = Written::array();
  for (const Finding& f : findings) out.push_back({{"code", f.code}, {"text", f.text}});
  return out;
}

std::string written_lines(const Written& object) {
  std::string out = "{";
  for (const auto& [key, value] : object.items()) {
    out.append(out.size() > 1 ? ",\n  " : "\n  ").append(Written(key).dump()).append(": ");
    const auto dump = [](const Written& v) {
      return v.dump(-1, ' ', false, Written::error_handler_t::replace);
    };
    if (!value.is_array() || value.empty()) {
      out += dump(value);
      continue;
    }
    for (std::size_t i = 0; i < value.size(); ++i) {
      out.append(i == 0 ? "[\n    " : ",\n    ").append(dump(value[i]));
    }
    out += "]";
  }
  return out + "\n}\n";
}

}  // namespace panecard::records
