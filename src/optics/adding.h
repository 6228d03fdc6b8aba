// The adding method: one optical element put behind another.
#pragma once

namespace panecard::optics {

/// What a stack does with light from either side; its transmission is the same both ways.
struct Element {
  double transmission = 1, front = 0, back = 0;
};

/// `a` first, `b` behind it, with whatever goes to and fro between them.
Element add(const Element& a, const Element& b);

/// A face to air, seen from either side; no light is lost in it.
Element face(double reflectance);

/// The `x` for which add(x, face(reflectance)) is `whole`. Its back may come out negative when
/// `whole` reflects less than the face alone.
Element without_back_face(const Element& whole, double reflectance);

/// Turned round.
Element turned(const Element& e);

/// A body between two faces that transmits so much in all. Its body transmits more than 1 when the
/// faces alone would let less pass.
Element plain_slab(double transmission, double reflectance);

}  // namespace panecard::optics
