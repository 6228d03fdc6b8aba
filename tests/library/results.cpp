#include "library/results.h"

#include "check/panes.h"
#include "model/model.h"
#include "records/records.h"

namespace panecard::library::test {

std::string result(const check::Shape& shape, const std::string& photo, int card,
                   const std::string& lens) {
  model::Measurement m;
  m.boundary = "glass";
  m.photo_name = photo;
  m.cards = {{"card", card, {{0, 0}, {9, 0}, {9, 9}, {0, 9}}}};
  m.lens_text = lens;
  m.outline.points = shape.contour.points;
  m.outline.u95_mm = shape.u95_mm;
  m.outline.box = min_area_box(shape.contour.points);
  m.outline.long_mm = {m.outline.box.long_mm, 1};
  for (const PointMm p : shape.contour.points) {
    m.outline.points_px.push_back({1000 + 1.7 * p.x, 2000 - 1.7 * p.y});
    m.outline.seen.push_back(p.x > 20);
  }
  if (shape.sources_known) m.covariance = shape.contour;
  return records::to_json(m);
}

std::string result(unsigned number) {
  return result(check::test::shape_of(check::test::invented(number)),
                "pane-" + std::to_string(number) + ".jpg");
}

}  // namespace panecard::library::test
