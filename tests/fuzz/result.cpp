#include "fuzz/fuzz.h"
#include "records/records.h"

void panecard::fuzz::result(std::string_view bytes) {
  const std::string text(bytes);
  const auto stored = records::result_in(text, "result");
  if (stored.ok()) {
    const auto n = stored->shape.contour.points.size();
    promise(stored->shape.u95_mm.size() == n, "a plus-minus for each point");
    for (const PolygonMm& mode : stored->shape.contour.modes) {
      promise(mode.size() == n, "a shift for each point");
    }
  }
  const auto measured = records::measurement_in(text, "result");
  if (measured.ok()) (void)records::to_json(measured.value());
}
