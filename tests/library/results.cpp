#include "library/results.h"

#include "check/panes.h"
#include "model/model.h"
#include "records/records.h"

namespace panecard::library::test {

PolygonMm outline(unsigned number) {
  std::mt19937 random(number);
  const auto within = [&](double low, double high) {
    return low + (high - low) * static_cast<double>(random() % 10007) / 10006;
  };
  const double w = within(300, 900), h = within(300, 600);
  return check::test::rounded({PointMm{within(-30, 30), within(-20, 20)},
                               {w + within(-40, 40), within(-30, 30)},
                               {w - within(30, 120), h + within(-30, 30)},
                               {within(20, 80), h - within(40, 90)}},
                              within(15, 45));
}

std::string result(const check::Shape& shape, const std::string& photo, int card,
                   const std::string& lens) {
  model::Measurement m;
  m.boundary = "glass";
  m.photo_name = photo;
  m.cards = {{"card", card, {{0, 0}, {9, 0}, {9, 9}, {0, 9}}}};
  m.lens_text = lens;
  m.outline.points = shape.contour.points;
  m.outline.u95_mm = shape.u95_mm;
  m.outline.box = smallest_box(shape.contour.points);
  m.outline.long_mm = {m.outline.box.long_mm, 1};
  for (const PointMm p : shape.contour.points) {
    m.outline.points_px.push_back({1000 + 1.7 * p.x, 2000 - 1.7 * p.y});
    m.outline.seen.push_back(p.x > 20);
  }
  if (shape.sources_known) m.covariance = shape.contour;
  return records::to_json(m);
}

std::string result(unsigned number) {
  return result(check::test::shape_of(outline(number)), "pane-" + std::to_string(number) + ".jpg");
}

}  // namespace panecard::library::test
