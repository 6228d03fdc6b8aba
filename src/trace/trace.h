// Follows a pane's boundary all the way round, to a fraction of a pixel.
#pragma once

#include <memory>
#include <vector>

#include "base/base.h"
#include "card/card.h"
#include "geom/geom.h"
#include "photo/photo.h"

namespace panecard::trace {

/// glass: where the visible glass meets the seal. solid: inner edge of the solid ceramic band.
/// dots: inner limit of the dots that follow it. The last two are printed on the inner face.
enum class Boundary { glass, solid, dots };

struct Options {
  Boundary boundary = Boundary::glass;
  std::vector<PointPx> near;        ///< rough pixels along the wanted boundary, may be empty
  double glass_thickness_mm = 4.0;  ///< for solid and dots, seen through the glass
  double sigma_glass_thickness_mm = 0.5;
};

struct Traced {
  Contour contour;                ///< modes filled from the plane and the edge
  std::vector<Finding> findings;  ///< "stretch_not_seen" with where, ...
};

/// One photo of the pane; nothing is owned.
struct Shot {
  const photo::Photo* photo = nullptr;
  const card::Plane* plane = nullptr;
  const std::vector<card::DetectedCard>* cards = nullptr;
};

/// The boundary from several photos, whose planes were fitted together (card::fit_planes); pixels
/// are those of the first. Options::near speaks of the first photo's pixels.
/// @retval boundary_not_seen  with the photo's number
Result<Traced> trace(const std::vector<Shot>& shots, const Options& options);

/// @retval boundary_not_seen  with where and what to do about the light
Result<Traced> trace(const photo::Photo& photo, const card::Plane& plane,
                     const std::vector<card::DetectedCard>& cards, const Options& options);

/// What a person says of a traced boundary, in pixels of the photo.
struct Mend {
  /// through: the wanted edge passes the path's first point. bridge: the stretch along the path is
  /// not to be believed.
  enum class Kind { through, bridge };
  Kind kind = Kind::through;
  std::vector<PointPx> path;
  double sigma_px = 0;  ///< standard uncertainty of the pointing
};

/// Keeps photos of one pane ready, whose planes were fitted together, so that its boundary is put
/// right in a moment. A person points in the first; what the shots speak of must outlive this.
class Mender {
 public:
  Mender(const std::vector<Shot>& shots, Boundary boundary);
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
