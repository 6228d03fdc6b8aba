// Finds room for labels on a drawing: greedy, the cheapest of the places offered.
#pragma once

#include <vector>

#include "drawings/sheet.h"

namespace panecard::drawings {

/// A turned rectangle that a text fills.
struct Label {
  PagePoint centre;
  double width = 0, height = 0;
  double turn_deg = 0;  ///< clockwise
};

class LabelField {
 public:
  static constexpr double kBlocked = 100;  ///< a place that costs this much is no place

  LabelField(PagePoint top_left, PagePoint bottom_right);
  void add_line(PagePoint a, PagePoint b, double cost_to_cross);
  void add_label(const Label& label);
  double cost(const Label& label) const;
  double cost_of_line(PagePoint a, PagePoint b) const;  ///< of a leader that crosses labels

 private:
  struct Line {
    PagePoint a, b;
    double cost;
  };
  PagePoint low_, high_;
  std::vector<Line> lines_;
  std::vector<Label> labels_;
};

/// Keeps text readable from below or from the right: the same line, turned to (-105, 75] deg.
double upright_deg(double turn_deg);

}  // namespace panecard::drawings
