// Light through film and glass, against textbook values and against light counted ray by ray.
#include "optics/optics.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <cstdint>
#include <random>
#include <vector>

#include "optics/adding.h"

namespace panecard::optics {
namespace {

Layer layer(double transmission) { return {{transmission}, {}, {}}; }
Layer layer(double transmission, double front, double back) {
  return {{transmission}, Share{front}, Share{back}};
}

/// Light handed from element to element until none is left: what comes out at the far end, and
/// what comes back. Knows no formula but that each element splits what falls on it.
struct Counted {
  double through = 0, back = 0;
};
Counted counted(const std::vector<Element>& stack) {
  const std::size_t n = stack.size();
  std::vector<double> down(n + 1, 0), up(n + 1, 0);  // falling on element k; rising from below it
  Counted out;
  down[0] = 1;
  for (int round = 0; round < 20000; ++round) {
    std::vector<double> next_down(n + 1, 0), next_up(n + 1, 0);
    double moving = 0;
    for (std::size_t k = 0; k < n; ++k) {
      const Element& e = stack[k];
      next_down[k + 1] += e.transmission * down[k] + e.back * up[k];
      const double rises = e.front * down[k] + e.transmission * up[k];
      if (k == 0) out.back += rises;
      if (k > 0) next_up[k - 1] += rises;
    }
    out.through += next_down[n];
    next_down[n] = 0;
    down = next_down;
    up = next_up;
    for (std::size_t k = 0; k <= n; ++k) moving += down[k] + up[k];
    if (moving < 1e-18) break;
  }
  return out;
}

/// How many of so many photons come out at the far end; each is passed on, thrown back or absorbed
/// by chance, pane after pane.
double passed(const std::vector<Element>& stack, int photons) {
  std::mt19937 random(410);
  std::uniform_real_distribution<double> chance;
  int out = 0;
  for (int k = 0; k < photons; ++k) {
    std::size_t next = 0;  // the pane ahead when going down is `next`, when going up next - 1
    bool down = true;
    while (true) {
      if (down && next == stack.size()) ++out;
      if (next == (down ? stack.size() : 0)) break;
      const Element& e = stack[down ? next : next - 1];
      const double u = chance(random), reflected = down ? e.front : e.back;
      if (u < e.transmission) {
        down ? ++next : --next;
      } else if (u < e.transmission + reflected) {
        down = !down;
      } else {
        break;
      }
    }
  }
  return static_cast<double>(out) / photons;
}

/// Absorbs, reflects nothing.
Element body(double transmission) { return {transmission, 0, 0}; }

Element whole(const std::vector<Element>& stack) {
  Element out;
  for (const Element& e : stack) out = add(out, e);
  return out;
}

/// As a laboratory would measure it in air.
Layer as_measured(const std::vector<Element>& stack) {
  std::vector<Element> reversed;
  for (auto e = stack.rbegin(); e != stack.rend(); ++e) reversed.push_back(turned(*e));
  const Counted front = counted(stack), back = counted(reversed);
  return layer(front.through, front.back, back.back);
}

}  // namespace

TEST_CASE("two layers agree with the product and with the two-pane formula of ISO 9050") {
  struct Row {
    const char* source;
    Layer first, second;
    double product, with_gap, tolerance;
  };
  // EN 410 / ISO 9050, double glazing: t1 t2 / (1 - r1' r2). Values by hand, four digits.
  const std::vector<Row> rows = {
      {"0.90, 0.08 twice", layer(0.90, 0.08, 0.08), layer(0.90, 0.08, 0.08), 0.8100, 0.8152, 5e-5},
      {"tinted pane, film", layer(0.77, 0.07, 0.07), layer(0.50, 0.10, 0.10), 0.3850, 0.3877, 5e-5},
      {"only the inner sides meet", layer(0.5, 0.9, 0), layer(0.5, 0.4, 0.9), 0.25, 0.25, 1e-15},
      {"half of half comes back", layer(0.5, 0, 0.5), layer(0.5, 0.5, 0), 0.25, 1.0 / 3, 1e-15},
  };
  for (const Row& row : rows) {
    CAPTURE(row.source);
    const std::array<Layer, 2> both = {row.first, row.second};
    CHECK(std::abs(product(both).value - row.product) <= row.tolerance);
    const auto gap = with_gaps(both);
    CHECK(gap.has_value());
    if (gap) CHECK(std::abs(gap->value - row.with_gap) <= row.tolerance);
  }
}

TEST_CASE("three layers agree with the triple-glazing formula") {
  // EN 410 / ISO 9050, triple glazing, from memory and derived again. Panes 1 and 2 as one pass
  // t = t1 t2 / (1 - r1' r2), and from behind reflect r' = r2' + t2^2 r1' / (1 - r1' r2): through
  // pane 2, to and fro in the first gap, through pane 2 again. With pane 3: t t3 / (1 - r' r3), and
  // both fractions times (1 - r1' r2):
  // t1 t2 t3 / ((1 - r1' r2) (1 - r2' r3) - t2^2 r1' r3)
  const double t1 = 0.8, t2 = 0.6, t3 = 0.7, r1b = 0.12, r2 = 0.2, r2b = 0.3, r3 = 0.25;
  const std::array<Layer, 3> panes = {layer(t1, 0.1, r1b), layer(t2, r2, r2b), layer(t3, r3, 0.1)};
  const double expected = t1 * t2 * t3 / ((1 - r1b * r2) * (1 - r2b * r3) - t2 * t2 * r1b * r3);
  CHECK(std::abs(with_gaps(panes).value().value - expected) <= 1e-15);
  // The series of all ways to and fro, summed, and photons that take one way each.
  const std::vector<Element> stack = {{t1, 0.1, r1b}, {t2, r2, r2b}, {t3, r3, 0.1}};
  CHECK(std::abs(counted(stack).through - expected) <= 1e-12);
  constexpr int kPhotons = 1'000'000;
  const double share = passed(stack, kPhotons);
  CHECK(std::abs(share - expected) <= 4 * std::sqrt(expected * (1 - expected) / kPhotons));
}

TEST_CASE("a clear slab passes what the series of its two faces says") {
  // Fresnel for n = 1.52: R = 0.04258; clear slab (1-R)/(1+R) = 0.9183, reflecting 0.0817.
  const double r = std::pow((1.52 - 1) / (1.52 + 1), 2);
  CHECK(std::abs(r - 0.04258) <= 5e-6);
  const Element slab = add(face(r), face(r));
  CHECK(std::abs(slab.transmission - 0.9183) <= 5e-5);
  CHECK(std::abs(slab.front - 0.0817) <= 5e-5);
  const Element from_its_transmission = plain_slab(slab.transmission, r);
  CHECK(std::abs(from_its_transmission.front - slab.front) <= 1e-14);
}

TEST_CASE(
    "adding agrees with light counted ray by ray, and no light is lost where none is absorbed") {
  const std::vector<std::vector<Element>> stacks = {
      {face(0.04), body(0.8), face(0.04)},
      {face(0.045), body(0.3), face(0.01), body(0.9), face(0.043)},
      {{0.2, 0.5, 0.3}, {0.6, 0.1, 0.4}, {0.5, 0.25, 0.45}},
      {face(0.5), face(0.5), face(0.5), face(0.5)},
      {face(0.04), {0.3, 0.6, 0.65}, body(1), face(0.04)},
  };
  for (std::size_t k = 0; k < stacks.size(); ++k) {
    CAPTURE(k);
    const Counted rays = counted(stacks[k]);
    const Element sum = whole(stacks[k]);
    CHECK(std::abs(sum.transmission - rays.through) <= 1e-12);
    CHECK(std::abs(sum.front - rays.back) <= 1e-12);
  }
  const Element clear = whole(stacks[3]);
  CHECK(std::abs(clear.transmission + clear.front - 1) <= 1e-14);
}

TEST_CASE("a face taken away and put back changes nothing") {
  const Element coated = whole({face(0.043), {0.4, 0.35, 0.3}, body(0.8)});
  const Element before = add(coated, face(0.05));
  const Element found = without_back_face(before, 0.05);
  CHECK(std::abs(found.transmission - coated.transmission) <= 1e-14);
  CHECK(std::abs(found.front - coated.front) <= 1e-14);
  CHECK(std::abs(found.back - coated.back) <= 1e-14);
}

TEST_CASE("glued layers pass what rays through the stack without the inner faces do") {
  const double r = kFaceReflectance.value;
  struct Row {
    const char* what;
    Element glass, film;
    bool reflectances_known;
  };
  const std::vector<Row> rows = {
      {"clear on clear", body(1), body(1), false},
      {"dyed film on tinted glass", body(0.84), body(0.38), false},
      {"the same, measured", body(0.84), body(0.38), true},
      {"metallised film on tinted glass", body(0.84), {0.35, 0.30, 0.25}, true},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    Layer glass = as_measured({face(r), row.glass, face(r)});
    Layer film = as_measured({face(r), row.film, face(r)});
    if (!row.reflectances_known) glass.front = glass.back = film.front = film.back = std::nullopt;
    const std::array<Layer, 2> both = {glass, film};
    const double truth = counted({face(r), row.glass, row.film, face(r)}).through;
    const auto found = glued(both);
    CHECK(found.has_value());
    if (!found) continue;
    CHECK(std::abs(found->value - truth) <= 1e-12);
    CHECK(product(both).value < truth);
  }
}

TEST_CASE("uncertainty follows from the digits written, or from what is said of it") {
  const double half = 1 / (2 * std::sqrt(3.0));  // JCGM 100, 4.3.7: half width over root three
  struct Row {
    const char* text;
    double value, sigma;
    bool rounded;
  };
  const std::vector<Row> rows = {
      {"35%", 0.35, 0.01 * half, true},      {" 35 % ", 0.35, 0.01 * half, true},
      {"35.5%", 0.355, 0.001 * half, true},  {"0.77", 0.77, 0.01 * half, true},
      {"77%+-3%", 0.77, 0.015, false},       {"77 % \u00b1 3 %", 0.77, 0.015, false},
      {"0.770+/-0.004", 0.77, 0.002, false}, {"100%", 1, 0.01 * half, true},
      {"5%", 0.05, 0.01 * half, true},
  };
  for (const Row& row : rows) {
    CAPTURE(row.text);
    const auto share = parse_share(row.text);
    CHECK(share.ok());
    if (!share.ok()) continue;
    CHECK(std::abs(share->value - row.value) <= 1e-15);
    CHECK(std::abs(share->sigma - row.sigma) <= 1e-15);
    CHECK(share->rounded == row.rounded);
  }
  for (const char* text :
       {"", "%", "35", "1", "135%", "-5%", "1e-1", "35%%", "abc", "35%+-", "35%+-2", "0.3+-2%",
        "nan", "inf", "0.123456789012345", "3 5%", "35% x", "..5"}) {
    CAPTURE(text);
    const auto share = parse_share(text);
    CHECK(!share.ok());
    if (!share.ok()) CHECK(share.error().code == Code::bad_usage);
  }
}

TEST_CASE("the product's uncertainty adds the layers' relative variances") {
  // JCGM 100, 5.1.6, equation (12)
  const std::array<Layer, 2> both = {Layer{{0.77, 0.01}, {}, {}}, Layer{{0.35, 0.02}, {}, {}}};
  const double expected = 0.77 * 0.35 * std::hypot(0.01 / 0.77, 0.02 / 0.35);
  CHECK(std::abs(product(both).sigma - expected) <= 1e-9);
}

TEST_CASE("the glued uncertainty agrees with drawn figures") {
  // JCGM 101: the same model over inputs drawn at random, 20 000 times; its own noise is 0.5 %.
  const std::array<Layer, 2> both = {Layer{{0.77, 0.006}, Share{0.07, 0.004}, Share{0.07, 0.004}},
                                     Layer{{0.35, 0.012}, Share{0.16, 0.01}, Share{0.15, 0.01}}};
  std::uint64_t state = 7;
  const auto normal = [&state] {  // twelve uniform draws: mean 6, variance 1
    double sum = -6;
    for (int k = 0; k < 12; ++k) {
      state = state * 6364136223846793005ULL + 1442695040888963407ULL;
      sum += static_cast<double>(state >> 11U) / 9007199254740992.0;
    }
    return sum;
  };
  const auto drawn = [&](const Share& s) { return s.value + s.sigma * normal(); };
  double sum = 0, squares = 0;
  constexpr int kDraws = 20000;
  for (int k = 0; k < kDraws; ++k) {
    const double r = drawn(kFaceReflectance);
    std::array<Element, 2> e;
    for (std::size_t i = 0; i < 2; ++i) {
      e[i] = {drawn(both[i].transmission), drawn(*both[i].front), drawn(*both[i].back)};
    }
    const Element glass = without_back_face(e[0], r);
    const Element film = turned(without_back_face(turned(e[1]), r));
    const double t = add(glass, film).transmission;
    sum += t;
    squares += t * t;
  }
  const double mean = sum / kDraws, sigma = std::sqrt(squares / kDraws - mean * mean);
  const auto found = glued(both);
  REQUIRE(found.has_value());
  CHECK(std::abs(found->sigma - sigma) <= 0.03 * sigma);
  CHECK(std::abs(found->value - mean) <= 0.1 * sigma);
}

TEST_CASE("what no plain face explains is not called glued, and impossible light is refused") {
  const std::array<Layer, 2> too_clear = {layer(0.97), layer(0.5)};
  CHECK(!glued(too_clear).has_value());
  const std::array<Layer, 2> unreflecting = {layer(0.8, 0.01, 0.01), layer(0.5, 0.08, 0.08)};
  CHECK(!glued(unreflecting).has_value());
  const std::array<Layer, 2> half_known = {layer(0.8, 0.08, 0.08), layer(0.5)};
  CHECK(!with_gaps(half_known).has_value());
  CHECK(glued(half_known).has_value());

  CHECK(checked(layer(0.8, 0.2, 0.1)).ok());
  CHECK(!checked(layer(0.8, 0.3, 0.1)).ok());
  CHECK(!checked(layer(0.8, 0.1, 0.3)).ok());
  CHECK(!checked(layer(1.2)).ok());
  CHECK(!checked(layer(std::nan(""))).ok());
  CHECK(!checked(Layer{{0.5}, Share{0.1}, {}}).ok());
}

}  // namespace panecard::optics
