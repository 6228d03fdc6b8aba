// Finds coded sheets and cards and measures all that is printed on them.
#pragma once

#include <vector>

#include "card/card.h"

namespace panecard::card {

struct CodedSearch {
  std::vector<DetectedCard> cards;    ///< largest in the photo first
  std::vector<DetectedCard> cut_off;  ///< read, but reaching over the edge of the photo
  int mirrored_marks = 0;             ///< seen from behind
  int unmeasured_marks = 0;           ///< read, but their crossings could not be measured
  double blur_px = 0;                 ///< median over all crossings; 0 when there are none
};

/// What to do where a first look shows no coded card, or only very small ones.
enum class Small { look_closer, pass_over };

CodedSearch find_coded(const photo::Photo& photo, const photo::Lens& lens,
                       Small small = Small::look_closer);

}  // namespace panecard::card
