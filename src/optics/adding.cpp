#include "optics/adding.h"

#include <cmath>

namespace panecard::optics {

Element add(const Element& a, const Element& b) {
  const double rounds = 1 / (1 - a.back * b.front);  // 1 + q + q^2 + ..., once to and fro each
  return {a.transmission * b.transmission * rounds,
          a.front + a.transmission * a.transmission * b.front * rounds,
          b.back + b.transmission * b.transmission * a.back * rounds};
}

Element face(double reflectance) { return {1 - reflectance, reflectance, reflectance}; }

Element without_back_face(const Element& whole, double reflectance) {
  const double through = 1 - reflectance;
  const double q = (whole.back - reflectance) / (through * through);
  Element x;
  x.back = q / (1 + q * reflectance);
  const double rounds = 1 / (1 - x.back * reflectance);
  x.transmission = whole.transmission / (through * rounds);
  x.front = whole.front - x.transmission * x.transmission * reflectance * rounds;
  return x;
}

Element turned(const Element& e) { return {e.transmission, e.back, e.front}; }

Element plain_slab(double transmission, double reflectance) {
  // (1-R)^2 a / (1 - R^2 a^2) = T, solved for a; this form of the root is stable for small R.
  const double r = reflectance, through = (1 - r) * (1 - r);
  const double body =
      2 * transmission /
      (through + std::sqrt(through * through + 4 * transmission * transmission * r * r));
  const double reflected = r + r * body * transmission;
  return {transmission, reflected, reflected};
}

}  // namespace panecard::optics
