#include "app/library_text.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "app/app.h"

namespace panecard::app {
namespace {

using Json = nlohmann::ordered_json;
using library::PaneLine;

constexpr double kMmPerInch = 25.4;

std::string length(double mm, Units units) {
  return units == Units::inch ? to_text(mm / kMmPerInch, 3) + " in" : to_text(mm, 2) + " mm";
}

std::string joined(std::initializer_list<std::string> parts) {
  std::string out;
  for (const std::string& part : parts) {
    if (part.empty()) continue;
    if (!out.empty()) out += " ";
    out += one_line(part);
  }
  return out;
}

std::string numbers(const std::vector<std::int64_t>& values) {
  std::string out;
  for (const std::int64_t value : values) {
    if (!out.empty()) out += ", ";
    out += std::to_string(value);
  }
  return out;
}

Json json_of(const PaneLine& line) {
  return {{"pane", line.pane},           {"make", line.vehicle.make},
          {"model", line.vehicle.model}, {"years", line.vehicle.years},
          {"body", line.vehicle.body},   {"vehicle_notes", line.vehicle.notes},
          {"window", line.about.window}, {"side", line.about.side},
          {"notes", line.about.notes}};
}

std::string document(const char* format, const Json& fields) {
  Json out = {{"format", format}, {"version", 1}};
  out.update(fields);
  return out.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace

std::string name_of(const PaneLine& line) {
  const library::Vehicle& v = line.vehicle;
  return joined({v.make, v.model, v.years, v.body}) + ", " +
         joined({line.about.window, line.about.side});
}

std::string list_text(const std::vector<PaneLine>& lines) {
  std::string out = lines.empty() ? "nothing found\n" : " pane\n";
  for (const PaneLine& line : lines) {
    std::string number = std::to_string(line.pane);
    constexpr std::size_t kWidth = 5;
    number.insert(0, kWidth - std::min(kWidth, number.size()), ' ');
    out.append(number).append("  ").append(name_of(line)).append("\n");
  }
  return out;
}

std::string list_json(const std::vector<PaneLine>& lines) {
  Json panes = Json::array();
  for (const PaneLine& line : lines) panes.push_back(json_of(line));
  return document("panecard-found", {{"panes", panes}});
}

std::string alike_text(const std::vector<library::Alike>& found, Units units) {
  std::string out = found.empty() ? "the library has no pattern yet\n" : "";
  for (const library::Alike& a : found) {
    out += "pane " + std::to_string(a.line.pane) + "  " + name_of(a.line) + "\n      largest gap " +
           length(a.gap_mm, units) + " (± " + length(a.gap_u95_mm, units) + " there), rms " +
           length(a.rms_mm, units) + (a.mirrored ? ", mirrored" : "") + ": " +
           (a.within_u95 ? "the same within the uncertainty\n" : "another shape\n");
  }
  return out;
}

std::string alike_json(const std::vector<library::Alike>& found) {
  Json panes = Json::array();
  for (const library::Alike& a : found) {
    Json pane = json_of(a.line);
    pane["mirrored"] = a.mirrored;
    pane["gap_mm"] = a.gap_mm;
    pane["gap_u95_mm"] = a.gap_u95_mm;
    pane["rms_mm"] = a.rms_mm;
    pane["within_u95"] = a.within_u95;
    panes.push_back(std::move(pane));
  }
  return document("panecard-found", {{"panes", panes}});
}

std::string pane_text(const library::PaneView& view, const check::Shape* shape, Units units) {
  const PaneLine& line = view.line;
  std::string out = "pane " + std::to_string(line.pane) + ": " + name_of(line) + "\nvehicle " +
                    std::to_string(view.vehicle_number) + ", revision " +
                    std::to_string(view.revision) + "\n";
  if (!line.vehicle.notes.empty()) out += "vehicle's notes: " + one_line(line.vehicle.notes) + "\n";
  if (!line.about.notes.empty()) out += "notes: " + one_line(line.about.notes) + "\n";
  if (shape != nullptr) {
    const OrientedBox box = min_area_box(shape->contour.points);
    std::vector<double> u95 = shape->u95_mm;
    std::nth_element(u95.begin(), u95.begin() + static_cast<std::ptrdiff_t>(u95.size() / 2),
                     u95.end());
    out += "pattern of measurement " + numbers(view.made_from) + ": " + length(box.long_mm, units) +
           " x " + length(box.short_mm, units) + ", its outline good to " +
           length(u95[u95.size() / 2], units) + " at half of its points\n";
  } else {
    out += "no pattern\n";
  }
  for (const library::MeasurementLine& m : view.measurements) {
    out += "measurement " + std::to_string(m.id) + "  " + m.boundary + ", " +
           joined({m.stamp.at, "by", m.stamp.who}) + ": " + one_line(m.stamp.reason);
    for (const library::Photo& photo : m.photos) out += "; " + one_line(photo.name);
    out += "\n";
  }
  for (const library::PieceLine& piece : view.pieces) {
    out += "piece '" + one_line(piece.name) + "'\n";
  }
  return out;
}

std::string pane_json(const library::PaneView& view) {
  Json out = json_of(view.line);
  out["vehicle"] = view.vehicle_number;
  out["revision"] = view.revision;
  out["pattern_made_from"] = view.made_from;
  out["measurements"] = Json::array();
  for (const library::MeasurementLine& m : view.measurements) {
    Json photos = Json::array();
    for (const library::Photo& p : m.photos) {
      photos.push_back({{"name", p.name}, {"sha256", library::hex(p.hash)}});
    }
    out["measurements"].push_back({{"id", m.id},
                                   {"boundary", m.boundary},
                                   {"lens", m.lens},
                                   {"at", m.stamp.at},
                                   {"who", m.stamp.who},
                                   {"reason", m.stamp.reason},
                                   {"photos", photos}});
  }
  out["pieces"] = Json::array();
  for (const library::PieceLine& piece : view.pieces) out["pieces"].push_back(piece.name);
  return document("panecard-pane-view", out);
}

std::string history_text(const std::vector<library::Revision>& history) {
  std::string out;
  for (const library::Revision& r : history) {
    out += std::string(r.of_vehicle ? "vehicle " : "pane    ") + std::to_string(r.number) + "  " +
           joined({r.stamp.at, r.stamp.who}) + "  " + r.what + ": " + one_line(r.stamp.reason) +
           "\n";
  }
  return out;
}

std::string history_json(const std::vector<library::Revision>& history) {
  Json out = Json::array();
  for (const library::Revision& r : history) {
    out.push_back({{"of", r.of_vehicle ? "vehicle" : "pane"},
                   {"revision", r.number},
                   {"at", r.stamp.at},
                   {"who", r.stamp.who},
                   {"reason", r.stamp.reason},
                   {"what", r.what}});
  }
  return document("panecard-history", {{"revisions", out}});
}

std::string combined_text(const library::Combined& c, Units units) {
  std::string out;
  for (const fusion::Consistency& test : c.tests) {
    out += "measurement " + std::to_string(test.measurement) + "  up to " +
           length(test.largest_mm, units) + " off the others, chi-square " +
           to_text(test.chi_square, 1) + " of " + to_text(test.degrees, 0) + ", chance " +
           to_text(100 * test.chance, 2) + " %\n";
  }
  return out + "± along the outline, at half of its points: " + length(c.median_u95_mm, units) +
         ", before " + length(c.median_u95_before_mm, units) + "\n";
}

std::string combined_json(const library::Combined& c) {
  Json tests = Json::array();
  for (const fusion::Consistency& test : c.tests) {
    tests.push_back({{"measurement", test.measurement},
                     {"chi_square", test.chi_square},
                     {"degrees", test.degrees},
                     {"chance", test.chance},
                     {"largest_mm", test.largest_mm}});
  }
  return document("panecard-combined",
                  {{"used", c.used},
                   {"tests", tests},
                   {"disagrees", c.disagrees ? Json(*c.disagrees) : Json(nullptr)},
                   {"median_u95_before_mm", c.median_u95_before_mm},
                   {"median_u95_mm", c.median_u95_mm}});
}

std::string findings_text(const std::vector<Finding>& findings) {
  std::string out;
  for (const Finding& f : findings) out += f.code + ": " + one_line(f.text) + "\n";
  return out;
}

}  // namespace panecard::app
