// A traced boundary that a person puts right. For the app only: rooms see trace.h.
#pragma once

#include <memory>
#include <vector>

#include "trace/trace.h"

namespace panecard::trace {

/// What a person says of a traced boundary, in pixels of the photo.
struct Mend {
  /// through: the wanted edge passes the path's first point. bridge: the stretch along the path is
  /// not to be believed.
  enum class Kind { through, bridge };
  Kind kind = Kind::through;
  std::vector<PointPx> path;
  double sigma_px = 0;  ///< standard uncertainty of the pointing
};

/// Keeps a photo ready, so that its boundary is put right in a moment. The shot must outlive it.
class Mender {
 public:
  Mender(const Shot& shot, Boundary boundary);
  Mender(Mender&&) noexcept;
  Mender& operator=(Mender&&) noexcept;
  ~Mender();
  /// Only the stretch that is spoken of changes, and is snapped to the edge that is seen there.
  /// @retval boundary_not_seen  too little is left of what was seen
  Result<Traced> operator()(const Traced& before, const Mend& mend) const;

 private:
  struct Ready;
  std::unique_ptr<Ready> ready_;
};

}  // namespace panecard::trace
