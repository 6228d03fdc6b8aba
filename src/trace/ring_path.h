// The closed path of least cost through log-polar coordinates: how the slopes of a path are paid
// for.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "trace/ring_edges.h"

namespace panecard::trace {

/// Column per ray.
/// @param extra    CV_16U, a row per ray: what each column costs beside its edges, kMostCost at
/// most
/// @param columns  how many there are, without the padding
std::vector<int> ring_path(const Edges& edges, const cv::Mat& extra, int columns);

}  // namespace panecard::trace
