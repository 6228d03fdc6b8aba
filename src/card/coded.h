// Detects coded sheets and cards and measures their chessboard corners and outer edges.
#pragma once

#include <vector>

#include "card/card.h"

namespace panecard::card {

struct CodedDetection {
  std::vector<DetectedCard> cards;    ///< largest in the photo first
  std::vector<DetectedCard> cut_off;  ///< decoded, but reaching over the edge of the photo
  int mirrored_markers = 0;           ///< seen from behind
  int unmeasured_markers = 0;         ///< decoded, but too few corners could be measured
  double blur_px = 0;                 ///< median over all corners; 0 when there are none
};

/// Whether to search at a finer scale when the coarse one shows no marker, or only small_markers
/// ones.
enum class SmallMarkers { search_finer, ignore };

CodedDetection detect_coded_cards(const photo::Photo& photo, const photo::Lens& lens,
                                  SmallMarkers small_markers = SmallMarkers::search_finer);

}  // namespace panecard::card
