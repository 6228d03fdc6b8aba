// The plane's numbers and their uncertainty against published statistics, worked examples, Monte
// Carlo and OpenCV's own photos of a chessboard.

#include "card/plane_fit.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <array>
#include <cmath>
#include <map>
#include <random>

#include "support/chessboard.h"

namespace panecard::card {

namespace {

using Eigen::Vector3d;

photo::Lens exact_lens(double f, double cx, double cy) {
  photo::Lens lens;
  lens.width_px = static_cast<int>(2 * cx), lens.height_px = static_cast<int>(2 * cy);
  lens.value << f, cx, cy, 0, 0, 0, 0, 0;
  lens.calibrated = true;
  return lens;
}

/// camera_from_plane of a camera in front of the pane, tilted, the pane's origin at (x, y,
/// distance).
PlaneVector view(const photo::Lens& lens, double tilt_deg, double turn_deg, Vector3d t) {
  const double rad = 3.14159265358979323846 / 180;
  const Eigen::AngleAxisd turned(Eigen::AngleAxisd(tilt_deg * rad, Vector3d::UnitX()) *
                                 Eigen::AngleAxisd(turn_deg * rad, Vector3d::UnitY()) *
                                 Eigen::AngleAxisd(180 * rad, Vector3d::UnitX()));
  PlaneVector value;
  value << turned.angle() * turned.axis(), t, lens.value, 0, 0, 0;
  return value;
}

/// A coded card on the pane, seen without noise. `scale` is what its print is too large by; `slope`
/// lifts its right side off the glass.
Sighting card_at(const PlaneVector& plane, int id, PointMm at, double turn_rad, double scale = 0,
                 double slope = 0) {
  Sighting s;
  s.kind = Kind::card, s.id = id;
  s.width_mm = 85.6, s.height_mm = 53.98, s.thickness_mm = 0.76;
  const double c = std::cos(turn_rad), n = std::sin(turn_rad);
  for (const double v : {24.0, 8.0, -8.0, -24.0}) {
    for (const double u : {-40.0, -24.0, -8.0, 8.0, 24.0, 40.0}) {
      const double us = u * (1 + scale), vs = v * (1 + scale);
      const PointMm p = at + PointMm{c * us - n * vs, n * us + c * vs};
      s.corners.push_back({{u, v}, px_from_mm(plane, p, s.thickness_mm + slope * (u + 40)), 0.05});
    }
  }
  return s;
}

/// A sheet on a pane bent to a cylinder about the x axis through the plane's origin.
Sighting sheet_on_cylinder(const PlaneVector& plane, PointMm at, double radius_mm) {
  Sighting s;
  s.kind = Kind::sheet, s.width_mm = 182, s.height_mm = 234, s.thickness_mm = 0.1;
  for (int row = 1; row < 9; ++row) {
    for (int column = 1; column < 7; ++column) {
      const PointMm on{(column - 3.5) * 26, (4.5 - row) * 26};
      const double angle = (at.y + on.y) / radius_mm, r = radius_mm + s.thickness_mm;
      const PointMm p{at.x + on.x, radius_mm > 0 ? r * std::sin(angle) : at.y + on.y};
      const double z = radius_mm > 0 ? r * std::cos(angle) - radius_mm : s.thickness_mm;
      s.corners.push_back({on, px_from_mm(plane, p, z), 0.05});
    }
  }
  return s;
}

PlainSize exact_size() {
  PlainSize size;
  size.sigma_width_mm = size.sigma_height_mm = 0;
  return size;
}

void shake(std::vector<Sighting>& cards, std::mt19937& random) {
  std::normal_distribution<double> noise;
  for (Sighting& card : cards) {
    for (Corner& corner : card.corners) {
      corner.seen.x += corner.sigma_px * noise(random);
      corner.seen.y += corner.sigma_px * noise(random);
    }
  }
}

double length_mm(const PlaneVector& value, PointPx a, PointPx b) {
  return distance(mm_from_px(value, a), mm_from_px(value, b));
}

double length_sigma_mm(const Plane& plane, PointPx a, PointPx b) {
  const PointMm d = mm_from_px(plane, b) - mm_from_px(plane, a);
  const Eigen::RowVector2d along = Eigen::RowVector2d(d.x, d.y) / norm(d);
  return (along * (mm_jacobian(plane, b) - mm_jacobian(plane, a)) * plane.factor).norm();
}

}  // namespace

TEST_CASE("length uncertainty equals the worked example of a plane homography, first order") {
  // Camera, card, corners and lengths: worked example computed by the covariance of the homography
  // (Criminisi, Reid & Zisserman 1997; Hartley & Zisserman ch. 5), itself checked by Monte Carlo.
  // A homography is a pose with an unknown pinhole, so the lens is left free here.
  struct Row {
    const char* what;
    std::vector<PointMm> centres;
    double noise_px, sigma_mm;
  };
  const std::vector<Row> rows = {
      {"one card, centre", {{0, 0}}, 0.10, 0.354},
      {"one card, centre, 0.03 px", {{0, 0}}, 0.03, 0.106},
      {"one card, top middle", {{0, -200}}, 0.10, 2.449},
      {"one card, left end", {{-380, 0}}, 0.10, 10.51},
      {"two cards", {{-380, 0}, {380, 0}}, 0.10, 0.055},
      {"four cards", {{-380, -200}, {380, -200}, {-380, 200}, {380, 200}}, 0.10, 0.052},
  };
  photo::Lens lens = exact_lens(3000, 2000, 1500);
  for (const int i : {photo::kF, photo::kCx, photo::kCy}) lens.covariance(i, i) = 1e10;
  // The example's world y runs downwards in the photo, ours upwards.
  const PlaneVector truth = view(lens, 20, 0, {0, 0, 1000});
  for (const Row& row : rows) {
    CAPTURE(row.what);
    Sighting body;  // all corners of the row as one rigid body: their places are known
    body.kind = Kind::plain, body.width_mm = 85.6, body.height_mm = 53.98, body.thickness_mm = 0;
    body.plain = exact_size();
    for (const PointMm c : row.centres) {
      for (const auto [x, y] :
           {PointMm{-42.8, -26.99}, {42.8, -26.99}, {42.8, 26.99}, {-42.8, 26.99}}) {
        const PointMm p = c + PointMm{x, y};
        body.corners.push_back({p, px_from_mm(truth, {p.x, -p.y}), row.noise_px});
      }
    }
    for (Corner& c : body.corners) c.on_card.y = -c.on_card.y;
    const std::vector<Sighting> cards = {body};
    const PlaneProblem problem(cards, lens);
    Eigen::VectorXd start = problem.mean();
    start.head<kPlaneSize>() = truth;
    const std::vector<int> free = {0, 1, 2, 3, 4, 5, 6 + photo::kF, 6 + photo::kCx, 6 + photo::kCy};
    const auto fit = problem.solve(start, free, 1);
    REQUIRE(fit);
    Plane plane;
    plane.value = fit->value.head<kPlaneSize>();
    const PointPx a = px_from_mm(truth, {-450, 0}), b = px_from_mm(truth, {450, 0});
    CHECK(std::abs(length_mm(plane.value, a, b) - 900) < 1e-3);
    const Eigen::Matrix<double, 1, kPlaneSize> slope =
        Eigen::RowVector2d(1, 0) * (mm_jacobian(plane, b) - mm_jacobian(plane, a));
    const double from_plane =
        (slope * fit->covariance.topLeftCorner<kPlaneSize, kPlaneSize>() * slope.transpose())
            .value();
    // The end points carry noise of their own, as in the example.
    double own = 0;
    for (const PointPx end : {a, b}) {
      const double step = 0.5;
      const double dx =
          mm_from_px(plane, {end.x + step, end.y}).x - mm_from_px(plane, {end.x - step, end.y}).x;
      const double dy =
          mm_from_px(plane, {end.x, end.y + step}).x - mm_from_px(plane, {end.x, end.y - step}).x;
      own += row.noise_px * row.noise_px * (dx * dx + dy * dy);
    }
    CHECK(std::abs(std::sqrt(from_plane + own) - row.sigma_mm) <= 0.01 * row.sigma_mm + 0.0006);
  }
}

TEST_CASE("residuals of a fit have the size that N measurements and d parameters leave") {
  // Hartley & Zisserman, 2nd ed., result 5.2: rms residual = sigma sqrt(1 - d / N).
  const photo::Lens lens = exact_lens(3000, 2000, 1500);
  const PlaneVector truth = view(lens, 15, -10, {-20, 10, 800});
  std::mt19937 random(1);
  double sum = 0, count = 0;
  std::size_t measurements = 0;
  for (int trial = 0; trial < 300; ++trial) {
    std::vector<Sighting> cards = {card_at(truth, 0, {0, 0}, 0)};
    shake(cards, random);
    const PlaneProblem problem(cards, lens);
    Eigen::VectorXd start = problem.mean();
    start.head<kPlaneSize>() = truth;
    const auto fit = problem.solve(start, {0, 1, 2, 3, 4, 5}, 1);
    REQUIRE(fit);
    sum += fit->residuals.value.squaredNorm();
    measurements = static_cast<std::size_t>(fit->residuals.value.size());
    count += static_cast<double>(measurements);
    CHECK(std::abs(fit->freedom - (static_cast<double>(measurements) - 6)) < 0.01);
  }
  const double theory = std::sqrt(1 - 6 / static_cast<double>(measurements));
  CHECK(std::abs(std::sqrt(sum / count) / theory - 1) < 0.02);
}

TEST_CASE("errors of lengths are as large as stated when noise, print and lens vary as stated") {
  // Monte Carlo: every draw has its own lens, print scale, thickness and noise from the priors.
  photo::Lens lens = exact_lens(3010, 2016, 1512);
  lens.covariance(photo::kF, photo::kF) = 20.0 * 20.0;
  lens.covariance(photo::kCx, photo::kCx) = lens.covariance(photo::kCy, photo::kCy) = 15.0 * 15.0;
  lens.covariance(photo::kK1, photo::kK1) = 0.01 * 0.01;
  std::mt19937 random(2);
  std::normal_distribution<double> normal;
  double squares = 0, beyond = 0, count = 0;
  for (int trial = 0; trial < 150; ++trial) {
    photo::Lens drawn = lens;
    for (const int i : {photo::kF, photo::kCx, photo::kCy, photo::kK1}) {
      drawn.value[i] += std::sqrt(lens.covariance(i, i)) * normal(random);
    }
    const PlaneVector truth = view(drawn, 12, 15, {-150, 60, 1000});
    const double alike = 5e-4 * normal(random);
    std::vector<Sighting> cards = {
        card_at(truth, 0, {0, 0}, 0, alike + 2e-4 * normal(random)),
        card_at(truth, 1, {380, 40}, 0.3, alike + 2e-4 * normal(random)),
        card_at(truth, 2, {100, 260}, -0.1, alike + 2e-4 * normal(random)),
    };
    shake(cards, random);
    const auto plane = fit_plane(cards, lens);
    REQUIRE(plane.ok());
    for (const auto& [a, b] :
         {std::pair<PointMm, PointMm>{{-150, 0}, {450, 20}}, {{50, -100}, {80, 350}}}) {
      const PointPx pa = px_from_mm(truth, a), pb = px_from_mm(truth, b);
      const double z = (length_mm(plane->value, pa, pb) - distance(a, b)) /
                       length_sigma_mm(plane.value(), pa, pb);
      squares += z * z;
      beyond += std::abs(z) > 2 ? 1 : 0;
      ++count;
    }
  }
  CHECK(std::sqrt(squares / count) > 0.8);
  CHECK(std::sqrt(squares / count) < 1.15);
  CHECK(beyond / count < 0.08);
}

TEST_CASE("the Jacobian of a place on the pane equals the difference quotient") {
  photo::Lens lens = exact_lens(3010, 2016, 1512);
  lens.value.tail<5>() << 0.03, -0.02, 0.004, 0.001, -0.0007;
  Plane plane;
  plane.value = view(lens, 20, -25, {-50, 30, 900});
  for (const PointPx px : {PointPx{300, 400}, {2016, 1512}, {3700, 2500}}) {
    const auto j = mm_jacobian(plane, px, 0.7);
    for (int i = 0; i < kPlaneSize; ++i) {
      CAPTURE(i);
      const double step = 1e-6 * std::max(1.0, std::abs(plane.value[i]));
      PlaneVector more = plane.value, less = plane.value;
      more[i] += step, less[i] -= step;
      const PointMm d = mm_from_px(more, px, 0.7) - mm_from_px(less, px, 0.7);
      const Eigen::Vector2d quotient = Eigen::Vector2d(d.x, d.y) / (2 * step);
      CHECK((j.col(i) - quotient).norm() <= 1e-5 * (1 + quotient.norm()));
    }
  }
}

TEST_CASE("a photo point goes to the pane and back to where it was") {
  photo::Lens lens = exact_lens(3010, 2016, 1512);
  lens.value[photo::kK1] = 0.05;
  const PlaneVector value = view(lens, 30, 20, {100, -40, 700});
  for (const PointMm p : {PointMm{-200, 100}, {0, 0}, {150, -90}}) {
    const PointMm back = mm_from_px(value, px_from_mm(value, p, 4), 4);
    CHECK(distance(p, back) < 1e-6);
  }
  const PointMm up_right = mm_from_px(view(lens, 0, 0, {0, 0, 700}), {3000, 500});
  CHECK(up_right.x > 0);
  CHECK(up_right.y > 0);
  CHECK(camera_centre_mm(value).z() > 0);
}

TEST_CASE("cards that contradict each other are named with the size of the contradiction") {
  struct Row {
    const char* what;
    double scale, slope;
    bool agree;
    const char* says;
  };
  constexpr std::array<Row, 4> kRows = {{
      {"all as they should be", 0, 0, true, ""},
      {"print 0.03 % too large, within tolerance", 3e-4, 0, true, ""},
      {"print 1 % too large", 1e-2, 0, false, "card 5 looks"},
      {"one side 2.4 mm off the glass", 0, 0.03, false, "card 5 does not lie flat"},
  }};
  const photo::Lens lens = exact_lens(3010, 2016, 1512);
  const PlaneVector truth = view(lens, 10, 12, {-150, 60, 800});
  for (const Row& row : kRows) {
    CAPTURE(row.what);
    std::mt19937 random(3);
    std::vector<Sighting> cards = {card_at(truth, 0, {0, 0}, 0),
                                   card_at(truth, 5, {300, 0}, 0.2, row.scale, row.slope),
                                   card_at(truth, 2, {100, 200}, 0)};
    shake(cards, random);
    const auto plane = fit_plane(cards, lens);
    CHECK(plane.ok() == row.agree);
    if (!plane.ok()) {
      CAPTURE(plane.error().detail);
      CHECK(plane.error().code == Code::cards_disagree);
      CHECK(plane.error().detail.find(row.says) != std::string::npos);
    }
  }
}

TEST_CASE("a bent sheet is told from a flat one") {
  photo::Lens lens = exact_lens(3010, 2016, 1512);
  lens.covariance(photo::kF, photo::kF) = 100, lens.covariance(photo::kK1, photo::kK1) = 1e-4;
  const PlaneVector truth = view(lens, 8, 10, {0, 0, 800});
  for (const double radius_mm : {0.0, 1000.0, 1500.0, 4000.0}) {
    CAPTURE(radius_mm);
    int curved = 0;
    for (unsigned seed = 0; seed < 10; ++seed) {
      std::mt19937 random(seed);
      std::vector<Sighting> cards = {sheet_on_cylinder(truth, {0, 0}, radius_mm)};
      shake(cards, random);
      const auto plane = fit_plane(cards, lens);
      REQUIRE(plane.ok());
      for (const Finding& finding : plane->findings)
        curved += finding.code == "pane_is_bent" ? 1 : 0;
    }
    CHECK(curved == (radius_mm > 0 ? 10 : 0));
  }
}

TEST_CASE("the plane refuses what it cannot be measured from") {
  const photo::Lens lens = exact_lens(3010, 2016, 1512);
  CHECK(fit_plane({}, lens).error().code == Code::card_not_found);
  const std::vector<Sighting> grazing = {card_at(view(lens, 80, 0, {0, 0, 800}), 0, {0, 0}, 0)};
  CHECK(fit_plane(grazing, lens).error().code == Code::plane_too_uncertain);
  Sighting line = card_at(view(lens, 5, 0, {0, 0, 800}), 0, {0, 0}, 0);
  line.corners.resize(6);  // one row of crossings
  CHECK(fit_plane({line}, lens).error().code == Code::plane_too_uncertain);
}

TEST_CASE("errors of lengths on OpenCV's chessboard photos are as large as stated") {
  // data/README.md: 26 photos, 9 x 6 crossings, 30 mm squares, corner places by OpenCV 4.6. A block
  // of 4 x 3 crossings, the size of a card, is the reference; six lengths of the whole board are
  // measured. Lens: OpenCV's calibrations of the same photos (rms 0.195 and 0.207 px).
  std::map<std::string, std::vector<Corner>> photos;
  for (const auto& [name, corners] :
       support::chessboard_corners(PANECARD_TEST_DATA "/chessboard-corners.csv")) {
    for (const support::BoardCorner& c : corners)
      photos[name].push_back({{30 * c.column, -30 * c.row}, c.seen, 0.14});
  }
  REQUIRE(photos.size() == 26);
  photo::Lens left = exact_lens(532.887, 342.987, 234.356),
              right = exact_lens(537.211, 328.086, 249.382);
  left.value.tail<5>() << -0.28088, 0.02518, 0.16343, 0.001217, -0.000136;
  right.value.tail<5>() << -0.29755, 0.14968, -0.06601, -0.000760, 0.000326;
  for (photo::Lens* lens :
       {&left, &right}) {  // OpenCV's standard deviations of the same calibrations
    lens->covariance(photo::kF, photo::kF) = 0.65 * 0.65;
    lens->covariance(photo::kCx, photo::kCx) = 0.68 * 0.68;
    lens->covariance(photo::kCy, photo::kCy) = 0.75 * 0.75;
  }
  double squares = 0, beyond = 0, count = 0;
  for (const auto& [name, corners] : photos) {
    CAPTURE(name);
    REQUIRE(corners.size() == 54);
    Sighting block;
    block.kind = Kind::plain, block.plain = exact_size();
    block.width_mm = 90, block.height_mm = 60;
    for (const Corner& corner : corners) {
      const bool inside = corner.on_card.x >= 60 && corner.on_card.x <= 150 &&
                          corner.on_card.y <= -30 && corner.on_card.y >= -90;
      if (!inside) continue;
      block.corners.push_back({corner.on_card - PointMm{105, -60}, corner.seen, corner.sigma_px});
    }
    REQUIRE(block.corners.size() == 12);
    // The board is flat, which one rigid block of it could not tell.
    const auto plane = fit_plane({block}, name[0] == 'l' ? left : right, KnownBow{0, 1e-7, false});
    CHECK(plane.ok());
    if (!plane.ok()) continue;
    const auto at = [&](int column, int row) {
      return corners[static_cast<std::size_t>(9 * row + column)];
    };
    const std::array<std::pair<Corner, Corner>, 6> lengths = {{{at(0, 0), at(8, 0)},
                                                               {at(0, 5), at(8, 5)},
                                                               {at(0, 0), at(0, 5)},
                                                               {at(8, 0), at(8, 5)},
                                                               {at(0, 0), at(8, 5)},
                                                               {at(8, 0), at(0, 5)}}};
    for (const auto& [a, b] : lengths) {
      const double error = length_mm(plane->value, a.seen, b.seen) - distance(a.on_card, b.on_card);
      const double ends = 0.14 * distance(a.on_card, b.on_card) /
                          std::hypot(a.seen.x - b.seen.x, a.seen.y - b.seen.y);
      const double z =
          error / std::hypot(length_sigma_mm(plane.value(), a.seen, b.seen), std::sqrt(2.0) * ends);
      squares += z * z, beyond += std::abs(z) > 2 ? 1 : 0, ++count;
    }
  }
  CHECK(count == 156);
  MESSAGE("error over stated sigma, rms of " << count
                                             << " lengths: " << std::sqrt(squares / count));
  CHECK(std::sqrt(squares / count) > 0.8);  // the bounds of check section 3.1 for these photos
  CHECK(std::sqrt(squares / count) < 1.5);
  CHECK(beyond / count < 0.18);  // what a normal variable of standard deviation 1.5 leaves beyond 2
}

}  // namespace panecard::card
