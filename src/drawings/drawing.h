// What the two halves of the dimension drawing share: the picture and the column beside it.
#pragma once

#include <string>

#include "drawings/drawings.h"
#include "drawings/sheet.h"

namespace panecard::drawings {

/// How the picture shows the outline; the column says it in words.
struct DrawingScale {
  double one_to = 1;      ///< 1 : one_to
  double band_times = 0;  ///< exaggeration of the uncertainty band; 0: not drawn
  double turned_deg = 0;  ///< clockwise
};

inline constexpr double kPageWidth = 297;  // A4 landscape, ISO 216
inline constexpr double kPageHeight = 210;
inline constexpr double kColumnLeft = 216;
inline constexpr double kColumnRight = 287;

void draw_column(Sheet& sheet, const Ruler& ruler, const model::Measurement& m, Units units,
                 const DrawingScale& scale);

}  // namespace panecard::drawings
