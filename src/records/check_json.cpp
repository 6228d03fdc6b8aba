#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>

#include "records/records.h"

namespace panecard::records {
namespace {

using Json = nlohmann::ordered_json;
using check::Verdict;

double mm(double v) { return std::round(v * 1e4) / 1e4; }
Json pair(PointMm p) { return Json::array({mm(p.x), mm(p.y)}); }

const char* word(Verdict v) {
  return v == Verdict::yes ? "yes" : v == Verdict::no ? "no" : "cannot tell";
}

Json warnings(const std::vector<Finding>& findings) {
  Json out = Json::array();
  for (const Finding& f : findings) out.push_back({{"code", f.code}, {"text", f.text}});
  return out;
}

Json decisions(const check::Fits& fits) {
  Json out = Json::array();
  for (const check::Decision& d : fits.decisions) {
    out.push_back({{"name", d.value.name},
                   {"lower_mm", mm(d.lower_mm)},
                   {"upper_mm", mm(d.upper_mm)},
                   {"fits", word(d.verdict)}});
  }
  return out;
}

Json difference(const check::Difference& d) {
  return {{"size_mm", mm(d.size_mm)}, {"u95_mm", mm(d.u95_mm)}, {"where", d.where}};
}

std::string bytes_of(const Json& j) {
  return j.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace

std::string to_check_json(const report::CheckReport& report) {
  const check::Rectangle& r = report.rectangle;
  Json values = Json::array();
  for (int m = 0; m < check::kMeasurands; ++m) {
    const check::Value& v = r.values[static_cast<std::size_t>(m)];
    const bool angle = m == check::out_of_square_deg;
    values.push_back({{"name", v.name},
                      {"unit", angle ? "deg" : "mm"},
                      {"value", mm(v.size.value)},
                      {"u95", mm(v.size.u95)},
                      {"main_source", v.main_source.text()}});
  }
  Json sharp = Json::array();
  for (const PointMm p : r.sharp) sharp.push_back(pair(p));
  const check::Blank& blank = report.blank;
  Json j = {
      {"format", "panecard-check"},
      {"version", 1},
      {"outline", report.name},
      {"boundary", report.boundary},
      {"sources_known", report.sources_known},
      {"values", values},
      {"sharp_corners_mm", sharp},
      {"best_rectangle",
       {{"centre_mm", pair(r.centre)}, {"angle_deg", mm(r.angle_rad * 180 / std::numbers::pi)}}},
      {"out_of_square", word(check::is_out_of_square(r))},
      {"squareness_text", report::say_squareness(r, Units::mm)},
      {"blank",
       {{"width_mm", blank.width_mm},
        {"height_mm", blank.height_mm},
        {"radius_mm", mm(blank.radius_mm)},
        {"least_margin_mm", mm(blank.least_margin_mm)},
        {"centre_mm", pair(blank.centre)}}},
      {"warnings", warnings(report.warnings)}};
  if (report.fits) {
    j["fits"] = word(report.fits->verdict);
    j["fits_text"] = report::say_fit(*report.fits, Units::mm);
    j["decisions"] = decisions(*report.fits);
  }
  return bytes_of(j);
}

std::string to_compare_json(const report::CompareReport& report) {
  const check::Comparison& c = report.comparison;
  return bytes_of({{"format", "panecard-comparison"},
                   {"version", 1},
                   {"first", report.first},
                   {"second", report.second},
                   {"mirrored", report.mirrored},
                   {"sources_known", report.sources_known},
                   {"tolerance_mm", mm(report.tolerance_mm)},
                   {"largest_gap", difference(c.gap)},
                   {"largest_overlap", difference(c.overlap)},
                   {"rms_mm", mm(c.rms_mm)},
                   {"within_u95", c.within_u95},
                   {"same", word(c.same)},
                   {"same_text", report::say_comparison(report, Units::mm)},
                   {"warnings", warnings(report.warnings)}});
}

}  // namespace panecard::records
