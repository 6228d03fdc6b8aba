// The bent pane: its geometry against published values and its fit against simulation.

#include "card/bend.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <array>
#include <cmath>
#include <random>

namespace panecard::card {

namespace {

using Eigen::Vector3d;

constexpr double kRad = 3.14159265358979323846 / 180;

photo::Lens phone_lens() {
  photo::Lens lens;
  lens.width_px = 4032, lens.height_px = 3024, lens.model = "test phone";
  lens.value << 3010, 2016, 1512, 0.03, -0.02, 0, 0, 0;
  for (const int i : {photo::kF, photo::kCx, photo::kCy}) lens.covariance(i, i) = 4;
  lens.covariance(photo::kK1, photo::kK1) = 4e-6, lens.covariance(photo::kK2, photo::kK2) = 4e-5;
  lens.calibrated = true;
  return lens;
}

PlaneVector view(const photo::Lens& lens, double tilt_deg, double turn_deg, Vector3d t,
                 Vector3d bend) {
  const Eigen::AngleAxisd turned(Eigen::AngleAxisd(tilt_deg * kRad, Vector3d::UnitX()) *
                                 Eigen::AngleAxisd(turn_deg * kRad, Vector3d::UnitY()) *
                                 Eigen::AngleAxisd(180 * kRad, Vector3d::UnitX()));
  PlaneVector value;
  value << turned.angle() * turned.axis(), t, lens.value, bend;
  return value;
}

/// Axis of a cylinder of the radius, turned from the x axis.
Vector3d cylinder(double radius_mm, double turn_deg) {
  if (radius_mm == 0) return Vector3d::Zero();
  const double x = -std::sin(turn_deg * kRad), y = std::cos(turn_deg * kRad);
  return Vector3d(x * x, x * y, y * y) / radius_mm;
}

/// A sheet that follows the pane; its corners by the pane's own map, with noise.
DetectedCard sheet(const PlaneVector& pane, std::mt19937& random) {
  std::normal_distribution<double> noise(0, 0.05);
  DetectedCard s;
  s.kind = Kind::sheet, s.width_mm = 182, s.height_mm = 234, s.thickness_mm = 0.1;
  for (int row = 1; row < 9; ++row) {
    for (int column = 1; column < 7; ++column) {
      const PointMm on{(column - 3.5) * 26, (4.5 - row) * 26};
      const PointPx px = px_from_mm(pane, on, s.thickness_mm);
      s.corners.push_back({on, {px.x + noise(random), px.y + noise(random)}, 0.05});
    }
  }
  return s;
}

/// A rigid card on the tangent plane at its centre, by vectors of its own.
DetectedCard rigid_card(const PlaneVector& pane, int id, PointMm at, std::mt19937& random) {
  std::normal_distribution<double> noise(0, 0.05);
  const CurvatureTensor<double> k{pane[kCurvatureOffset], pane[kCurvatureOffset + 1],
                                  pane[kCurvatureOffset + 2]};
  const auto vector = [](const Point3<double>& p) { return Vector3d(p.x, p.y, p.z); };
  const double step = 1e-4;
  const Vector3d centre = vector(point_on_surface(k, at.x, at.y, 0.0));
  const Vector3d along = (vector(point_on_surface(k, at.x + step, at.y, 0.0)) - centre) / step;
  const Vector3d across = (vector(point_on_surface(k, at.x, at.y + step, 0.0)) - centre) / step;
  DetectedCard s;
  s.kind = Kind::card, s.id = id;
  s.width_mm = 85.6, s.height_mm = 53.98, s.thickness_mm = 0.76;
  const Vector3d normal = along.cross(across).normalized();
  const Vector3d turn = pane.head<3>();
  const Eigen::AngleAxisd rotation(turn.norm(), turn.normalized());
  for (const double v : {24.0, 8.0, -8.0, -24.0}) {
    for (const double u : {-40.0, -24.0, -8.0, 8.0, 24.0, 40.0}) {
      const Vector3d p = centre + u * along + v * across + s.thickness_mm * normal;
      const Vector3d seen = rotation * p + pane.segment<3>(3);
      const PointPx px = photo::distort(pane.segment<photo::kLensSize>(kLensOffset),
                                        seen.x() / seen.z(), seen.y() / seen.z());
      s.corners.push_back({{u, v}, {px.x + noise(random), px.y + noise(random)}, 0.05});
    }
  }
  return s;
}

double length_mm(const Plane& plane, PointPx a, PointPx b) {
  return distance(mm_from_px(plane, a), mm_from_px(plane, b));
}

double length_sigma_mm(const Plane& plane, PointPx a, PointPx b,
                       std::optional<ErrorSource> source = std::nullopt) {
  const PointMm d = mm_from_px(plane, b) - mm_from_px(plane, a);
  const Eigen::RowVector2d along = Eigen::RowVector2d(d.x, d.y) / norm(d);
  const Eigen::RowVectorXd effect =
      along * (mm_jacobian(plane, b) - mm_jacobian(plane, a)) * plane.factor;
  double sum = 0;
  for (Eigen::Index k = 0; k < effect.size(); ++k) {
    if (!source || plane.sources[static_cast<std::size_t>(k)] == source)
      sum += effect[k] * effect[k];
  }
  return std::sqrt(sum);
}

}  // namespace

TEST_CASE("a bent face has the arc, chord and sagitta of a cylinder") {
  // Arc 2 R asin(c / 2R) and sagitta R - sqrt(R^2 - c^2 / 4), computed values of any geometry text.
  struct Row {
    double radius, chord, arc, sagitta;
  };
  constexpr std::array<Row, 4> kRows = {{{1500, 900, 914.07796, 69.0912},
                                         {3000, 900, 903.40964, 33.9420},
                                         {5000, 1200, 1202.89882, 36.1305},
                                         {2000, 600, 602.27309, 22.6280}}};
  for (const Row& row : kRows) {
    for (const double turn : {0.0, 30.0, 90.0}) {
      CAPTURE(row.radius);
      CAPTURE(turn);
      const Vector3d k = cylinder(row.radius, turn);
      const CurvatureTensor<double> bend{k[0], k[1], k[2]};
      const double x = -std::sin(turn * kRad), y = std::cos(turn * kRad);
      const Point3<double> end = point_on_surface(bend, 0.5 * row.arc * x, 0.5 * row.arc * y, 0.0);
      CHECK(std::abs(2 * std::hypot(end.x, end.y) - row.chord) < 2e-4);
      CHECK(std::abs(-end.z - row.sagitta) < 2e-4);
      // Along the axis nothing bends, and a height stands off the face.
      const Point3<double> aside = point_on_surface(bend, 300 * y, -300 * x, 4.0);
      CHECK(std::abs(std::hypot(aside.x, aside.y) - 300) < 1e-9);
      CHECK(std::abs(aside.z - 4) < 1e-9);
    }
  }
}

TEST_CASE("a photo point goes to the bent pane and back to where it was") {
  const photo::Lens lens = phone_lens();
  for (const double radius : {900.0, 1400.0, -2000.0}) {
    const PlaneVector pane = view(lens, 20, -15, {-60, 30, 900}, cylinder(radius, 12));
    for (const PointMm p : {PointMm{-300, 200}, {0, 0}, {350, -190}}) {
      for (const double height : {0.0, 0.76}) {
        CHECK(distance(p, mm_from_px(pane, px_from_mm(pane, p, height), height)) < 1e-6);
      }
    }
  }
}

TEST_CASE("the Jacobian of a place on a bent pane equals the difference quotient") {
  Plane plane;
  plane.value = view(phone_lens(), 20, -25, {-50, 30, 900}, {1e-4, 2e-4, 7e-4});
  for (const PointPx px : {PointPx{500, 500}, {2016, 1512}, {3500, 2400}}) {
    const auto j = mm_jacobian(plane, px, 0.7);
    for (int i = 0; i < kPlaneSize; ++i) {
      CAPTURE(i);
      const double step =
          i >= kCurvatureOffset ? 1e-9 : 1e-6 * std::max(1.0, std::abs(plane.value[i]));
      PlaneVector more = plane.value, less = plane.value;
      more[i] += step, less[i] -= step;
      const PointMm d = mm_from_px(more, px, 0.7) - mm_from_px(less, px, 0.7);
      const Eigen::Vector2d quotient = Eigen::Vector2d(d.x, d.y) / (2 * step);
      CHECK((j.col(i) - quotient).norm() <= 2e-5 * (1 + quotient.norm()));
    }
  }
}

TEST_CASE("the camera over a place on the pane keeps its distance and looks along the normal") {
  const PlaneVector pane = view(phone_lens(), 10, 5, {0, 0, 800}, cylinder(1200, 0));
  const PointMm place{100, 250};
  const CurvatureTensor<double> k{pane[kCurvatureOffset], pane[kCurvatureOffset + 1],
                                  pane[kCurvatureOffset + 2]};
  const Point3<double> at = point_on_surface(k, place.x, place.y, 0.0),
                       up = point_on_surface(k, place.x, place.y, 1.0);
  const Vector3d to = camera_centre_mm(pane) - Vector3d(at.x, at.y, at.z);
  const Vector3d local = camera_in_tangent_frame_mm(pane, place);
  CHECK(std::abs(local.norm() - to.norm()) < 1e-9);
  CHECK(std::abs(local.z() - to.dot(Vector3d(up.x - at.x, up.y - at.y, up.z - at.z))) < 1e-9);
}

TEST_CASE("radius and lengths of bent and flat panes come out as surely as stated") {
  // Simulation with a known truth: sheet alone, sheet with cards, cards alone; bent about a level,
  // an upright and a slanted axis, or flat. The errors of two lengths over their stated sigma must
  // have the size of a unit normal variable; a bent pane's radius must be right to 10 %.
  const photo::Lens lens = phone_lens();
  double squares = 0, beyond = 0, count = 0;
  int wrong_radius = 0, bent = 0, called_bent = 0, flat = 0;
  std::mt19937 random(7);
  for (int trial = 0; trial < 120; ++trial) {
    const std::array<double, 4> radii = {0, 1000, 1500, 2500};
    const std::array<double, 4> turns = {0, 0, 90, 20};
    const double radius = radii[static_cast<std::size_t>(trial) % 4];
    const double turn = turns[static_cast<std::size_t>(trial) / 4 % 4];
    const PlaneVector pane =
        view(lens, 14, -12 + trial % 5, {-20, 10, 1000}, cylinder(radius, turn));
    std::vector<DetectedCard> cards;
    if (trial % 3 != 2) cards.push_back(sheet(pane, random));
    if (trial % 3 != 0) {
      cards.push_back(
          rigid_card(pane, 0, cards.empty() ? PointMm{0, 0} : PointMm{280, 180}, random));
      cards.push_back(rigid_card(pane, 1, {-290, -150}, random));
      cards.push_back(rigid_card(pane, 2, {20, 230}, random));
    }
    const auto plane = fit_plane(cards, lens);
    if (!plane.ok()) MESSAGE(plane.error().detail);
    REQUIRE(plane.ok());
    const Eigen::Matrix2d k{
        {plane->value[kCurvatureOffset], plane->value[kCurvatureOffset + 1]},
        {plane->value[kCurvatureOffset + 1], plane->value[kCurvatureOffset + 2]}};
    const double strongest = Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d>(k).eigenvalues()[1];
    if (radius > 0) {
      ++bent;
      const bool right = std::abs(1 / strongest / radius - 1) < 0.1;
      if (!right && trial % 3 != 2) MESSAGE("radius " << 1 / strongest << " of " << radius);
      wrong_radius += !right && trial % 3 != 2 ? 1 : 0;
    } else {
      ++flat;
      called_bent += plane->bent_probability > 0.95 ? 1 : 0;
    }
    for (const auto& [a, b] :
         {std::pair<PointMm, PointMm>{{-350, 20}, {360, 0}}, {{50, -220}, {80, 240}}}) {
      const PointPx pa = px_from_mm(pane, a), pb = px_from_mm(pane, b);
      const double z = (length_mm(plane.value(), pa, pb) - distance(a, b)) /
                       length_sigma_mm(plane.value(), pa, pb);
      squares += z * z, beyond += std::abs(z) > 2 ? 1 : 0, ++count;
    }
  }
  MESSAGE("rms of error over sigma " << std::sqrt(squares / count) << ", beyond U95 "
                                     << 100 * beyond / count << " %, flat called bent "
                                     << called_bent << " of " << flat);
  CHECK(wrong_radius == 0);
  CHECK(called_bent == 0);
  CHECK(beyond / count < 0.07);
  CHECK(std::sqrt(squares / count) < 1.1);
  CHECK(std::sqrt(squares / count) > 0.2);  // print scale is stated but not simulated here
}

TEST_CASE("blank paper follows the glass and tells how far the pane bows") {
  // A4 (ISO 216) on a cylinder of 1200 mm, its edges by the pane's own map: no edge is straight.
  const photo::Lens lens = phone_lens();
  std::mt19937 random(5);
  std::normal_distribution<double> noise(0, 0.3);  // a cut edge's tenths of a millimetre
  const PlaneVector pane = view(lens, 18, -12, {-20, 10, 900}, cylinder(1200, 0));
  DetectedCard paper;
  paper.kind = Kind::plain;
  paper.plain = plain_size("a4").value();
  paper.width_mm = 210, paper.height_mm = 297, paper.thickness_mm = 0.1;
  const std::array<PointMm, 4> corner = {
      {{-105, 148.5}, {105, 148.5}, {105, -148.5}, {-105, -148.5}}};
  for (std::size_t i = 0; i < 4; ++i) {
    Edge edge{corner[i], corner[(i + 1) % 4], {}, 0.3};
    for (int k = 1; k < 100; ++k) {
      const PointPx px = px_from_mm(pane, edge.a + k / 100.0 * (edge.b - edge.a), 0.1);
      edge.seen.push_back({px.x + noise(random), px.y + noise(random)});
    }
    paper.edges.push_back(edge);
    paper.body_px.push_back(px_from_mm(pane, corner[i], 0.1));
  }
  const auto plane = fit_plane({paper}, lens);
  REQUIRE(plane.ok());
  const PrincipalCurvatures found = curvature_of(plane.value());
  CHECK(std::abs(found.major - 1.0 / 1200) < 2 * found.sigma_major);
  CHECK(found.sigma_major < 0.2 / 1200);
  DetectedCard board =
      paper;  // as thick as a card it would lie on the tangent plane, edges straight
  board.thickness_mm = 0.76;
  const auto stiff = fit_plane({board}, lens);
  CHECK((!stiff.ok() || stiff->card_reduced_chi2[0] > 1.5 * plane->card_reduced_chi2[0]));
}

TEST_CASE(
    "one rigid card says nothing of the bow, and the uncertainty says so until it is measured") {
  const photo::Lens lens = phone_lens();
  std::mt19937 random(3);
  const PlaneVector pane = view(lens, 12, 8, {0, 0, 900}, Vector3d::Zero());
  const std::vector<DetectedCard> cards = {rigid_card(pane, 4, {0, 0}, random)};
  const auto unknown = fit_plane(cards, lens);
  // 12 mm under 500 mm is R = c^2 / 8s + s / 2 = 2610 mm; read to half a millimetre.
  const auto flat = fit_plane(cards, lens, MeasuredBow{0, 1.6e-5, false});
  const auto bowed = fit_plane(cards, lens, MeasuredBow{1 / 2610.2, 1.6e-5, false});
  REQUIRE(unknown.ok());
  REQUIRE(flat.ok());
  REQUIRE(bowed.ok());
  const auto says = [](const Plane& plane, const std::string& code) {
    for (const Finding& f : plane.findings)
      if (f.code == code) return true;
    return false;
  };
  CHECK(says(unknown.value(), "bow_unknown"));
  CHECK(!says(flat.value(), "bow_unknown"));
  CHECK(std::abs(unknown->bent_probability - 0.5) < 0.05);
  const PointPx a = px_from_mm(pane, {-30, -300}), b = px_from_mm(pane, {30, 300});
  const double unsure = length_sigma_mm(unknown.value(), a, b, ErrorSource::bow);
  CHECK(unsure > 5 * length_sigma_mm(flat.value(), a, b, ErrorSource::bow));
  CHECK(unsure > 3);
  CHECK(std::abs(bowed->value[kCurvatureOffset + 2] - 1 / 2610.2) < 1e-6);
  CHECK(std::abs(bowed->value[kCurvatureOffset]) < 1e-6);
}

TEST_CASE("the sources of the plane's uncertainty add up to the whole covariance") {
  const photo::Lens lens = phone_lens();
  std::mt19937 random(5);
  const PlaneVector pane = view(lens, 12, 8, {0, 0, 900}, cylinder(1300, 0));
  const std::vector<View> views = {
      {{sheet(pane, random), rigid_card(pane, 1, {250, 150}, random)}, lens}};
  PlaneProblem problem(views);
  Eigen::VectorXd start = problem.mean();
  start.head<6>() = pane.head<6>();
  start.segment<2>(problem.body_index(1, kX)) << 250, 150;
  const auto averaged = average_bend_models(problem, start, {0, 1}, std::nullopt);
  REQUIRE(averaged);
  CHECK(averaged->bent_probability > 0.999);
  Eigen::MatrixXd sum = Eigen::MatrixXd::Zero(kPlaneSize, kPlaneSize);
  for (const Source& source : averaged->sources) sum += source.covariance;
  const Eigen::MatrixXd whole = averaged->best.covariance(averaged->indices, averaged->indices);
  const Eigen::VectorXd s = whole.diagonal().cwiseSqrt().cwiseMax(1e-12).cwiseInverse();
  // The models' disagreement comes on top; here one model is all but certain.
  CHECK((s.asDiagonal() * (sum - whole) * s.asDiagonal()).cwiseAbs().maxCoeff() < 0.1);
}

TEST_CASE("a covariance difference keeps its size where a variance cancels to nothing") {
  // Lengths, angles and curvatures: variances of 1e-2, 1e-8 and 1e-9, the second cancelled but for
  // rounding beside it. Higham 1988, Linear Algebra Appl. 103: the nearest matrix is no further off
  // than the negative part.
  Eigen::Matrix3d m;
  m << 1e-2, 1e-21, 2e-6, 1e-21, 0, 1e-24, 2e-6, 1e-24, 1e-9;
  const Eigen::Vector3d size(0.1, 1e-4, 3e-5);
  const Eigen::MatrixXd kept = nearest_psd(m, size);
  const Eigen::Vector3d unit = size.cwiseInverse();
  CHECK((unit.asDiagonal() * (kept - m) * unit.asDiagonal()).cwiseAbs().maxCoeff() < 1e-12);
}

TEST_CASE("what a covariance difference has of negative parts is taken out, the rest stays") {
  const Eigen::Matrix2d turn = Eigen::Rotation2Dd(45 * kRad).toRotationMatrix();
  const Eigen::Matrix2d m = turn * Eigen::Vector2d(2, -1).asDiagonal() * turn.transpose();
  const Eigen::Matrix2d want = turn * Eigen::Vector2d(2, 0).asDiagonal() * turn.transpose();
  CHECK((nearest_psd(m, Eigen::Vector2d::Ones()) - want).cwiseAbs().maxCoeff() < 1e-12);
}

TEST_CASE("what one card can't tell of the bend is as uncertain as before, not more") {
  // A rigid card says nothing of the bend: what is known of it is the prior, 0.7 per metre at most
  // (docs/bend.md), whatever the rounding in what no model leaves free.
  const photo::Lens lens = phone_lens();
  for (unsigned seed = 0; seed < 8; ++seed) {
    CAPTURE(seed);
    std::mt19937 random(seed);
    std::uniform_real_distribution<double> u(-1, 1);
    const PlaneVector pane =
        view(lens, 25 * u(random), 25 * u(random),
             {100 * u(random), 100 * u(random), 800 + 200 * u(random)}, Vector3d::Zero());
    const auto planes = fit_planes({{{rigid_card(pane, 0, {0, 0}, random)}, lens}}, std::nullopt);
    REQUIRE(planes.ok());
    const Plane& plane = planes->front();
    for (int i = 0; i < 3; ++i) {
      CHECK(plane.factor.row(kCurvatureOffset + i).norm() < 0.7e-3);
    }
  }
}

TEST_CASE("several photos of one pane share its frame and shrink what is not common to them") {
  const photo::Lens lens = phone_lens();
  std::mt19937 random(11);
  const Vector3d bend = cylinder(1400, 0);
  const std::array<PlaneVector, 3> truth = {view(lens, 14, -14, {-20, 10, 1000}, bend),
                                            view(lens, -8, 16, {40, -20, 1050}, bend),
                                            view(lens, 18, 6, {-60, 40, 950}, bend)};
  double squares = 0, count = 0;
  for (int trial = 0; trial < 15; ++trial) {
    std::vector<View> views;
    for (const PlaneVector& pane : truth) {
      views.push_back({{sheet(pane, random), rigid_card(pane, 1, {-290, -150}, random)}, lens});
    }
    std::swap(views[1].cards[0], views[1].cards[1]);  // each photo lists its cards in its own order
    const auto alone = fit_plane(views[0].cards, lens);
    const auto joint = fit_planes(views);
    REQUIRE(alone.ok());
    REQUIRE(joint.ok());
    REQUIRE(joint->size() == 3);
    const PointMm a{-350, 20}, b{360, 40};
    for (std::size_t v = 0; v < 3; ++v) {
      const Plane& plane = (*joint.operator->())[v];
      CHECK(plane.factor.cols() == (*joint.operator->())[0].factor.cols());
      const PointPx pa = px_from_mm(truth[v], a), pb = px_from_mm(truth[v], b);
      const double z = (length_mm(plane, pa, pb) - distance(a, b)) / length_sigma_mm(plane, pa, pb);
      squares += z * z, ++count;
      CHECK(distance(mm_from_px(plane, pa), a) < 2.5);  // one frame: the sheet of the first photo
    }
    const PointPx pa = px_from_mm(truth[0], a), pb = px_from_mm(truth[0], b);
    const Plane& first = joint->front();
    CHECK(length_sigma_mm(first, pa, pb, ErrorSource::corner_noise) * 1.5 <
          length_sigma_mm(alone.value(), pa, pb, ErrorSource::corner_noise));
    CHECK(length_sigma_mm(first, pa, pb) < length_sigma_mm(alone.value(), pa, pb));
  }
  CHECK(std::sqrt(squares / count) < 1.15);
}

TEST_CASE("photos that show no common card are refused with what to do") {
  const photo::Lens lens = phone_lens();
  std::mt19937 random(2);
  const PlaneVector pane = view(lens, 12, 8, {0, 0, 900}, Vector3d::Zero());
  const auto joint = fit_planes({{{rigid_card(pane, 1, {0, 0}, random)}, lens},
                                 {{rigid_card(pane, 2, {0, 0}, random)}, lens}});
  REQUIRE(!joint.ok());
  CHECK(joint.error().code == Code::cards_disagree);
  CHECK(joint.error().detail.find("coded card") != std::string::npos);
}

TEST_CASE("a picture of a picture is refused when the lens is known: no true card looks like it") {
  const photo::Lens lens = phone_lens();
  std::mt19937 random(4);
  const PlaneVector pane = view(lens, 30, 20, {0, 0, 900}, Vector3d::Zero());
  DetectedCard card = sheet(pane, random);
  CHECK(fit_plane({card}, lens).ok());
  // The print of that photo, 300 mm wide, seen aslant from the other side.
  const PlaneVector print = view(lens, -35, -25, {0, 0, 320}, Vector3d::Zero());
  for (Corner& corner : card.corners) {
    corner.seen =
        px_from_mm(print, {300 * (corner.seen.x / 4032 - 0.5), 225 * (0.5 - corner.seen.y / 3024)});
  }
  const auto refused = fit_plane({card}, lens);
  REQUIRE(!refused.ok());
  CHECK(refused.error().code == Code::cards_disagree);
  CHECK(refused.error().detail.find("picture of a picture") != std::string::npos);
}

}  // namespace panecard::card
