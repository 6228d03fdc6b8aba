// The adding method for stacks of incoherent layers (all values are fractions of intensity).
#pragma once

namespace panecard::optics {

/// Transmittance of a stack, the same both ways, and its reflectance from either side.
struct Element {
  double transmission = 1, front = 0, back = 0;
};

/// `a` first, `b` behind it, with all interreflections between them.
Element add(const Element& a, const Element& b);

/// An interface to air without absorption.
Element face(double reflectance);

/// The inverse of adding a back interface: the `x` for which add(x, face(reflectance)) is `whole`.
/// Its back is negative when `whole` reflects less than the interface alone.
Element without_back_face(const Element& whole, double reflectance);

/// The element seen from its back.
Element turned(const Element& e);

/// A slab between two interfaces, of the given total transmittance. Its internal transmittance
/// exceeds 1 when the interfaces alone transmit less.
Element plain_slab(double transmission, double reflectance);

}  // namespace panecard::optics
