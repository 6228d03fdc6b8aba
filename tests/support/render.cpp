#include "support/render.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/aruco.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>

namespace panecard::support {

double dots_inset_mm(const Band& band);

namespace {

constexpr double kCellMm = 8;
constexpr int kSuper = 4;  // samples per side of a pixel that an edge crosses

struct Sample {
  std::uint32_t label = 0;  ///< differs where the picture has an edge
  Colour colour = {0, 0, 0};
};

/// A point of the outer face and how far a ray there moves per mm of depth.
struct Ray {
  PointMm at;
  PointMm slope;
  PointMm behind(double depth_mm) const { return at + depth_mm * slope; }
};

Colour scaled(const Colour& c, double gain) {
  const auto g = static_cast<float>(gain);
  return {c[0] * g, c[1] * g, c[2] * g};
}

bool holds(const Patch& patch, PointMm p) {
  return p.x > patch.left_mm && p.x < patch.right_mm && p.y > patch.bottom_mm && p.y < patch.top_mm;
}

/// A card with its markers' modules looked up once.
class CardFace {
 public:
  explicit CardFace(const SceneCard& card) : card_(card) {
    const double turn = card.turn_deg * std::numbers::pi / 180;
    along_ = {std::cos(turn), std::sin(turn)};
    reach_mm_ = std::hypot(card.width_mm, card.height_mm) / 2 + 1;
    if (card.kind == CardKind::plain) return;
    if (card.kind != CardKind::coded) {
      columns_ = 7;
      rows_ = 9;
      square_mm_ = 26;
      marker_mm_ = 19.5;
    }
    const cv::Ptr<cv::aruco::Dictionary> dictionary =
        cv::aruco::getPredefinedDictionary(cv::aruco::DICT_5X5_1000);
    const int first = card.kind == CardKind::coded ? 64 + 8 * card.id : 0;
    for (int i = 0; i < columns_ * rows_ / 2; ++i) {
      bits_.push_back(
          cv::aruco::Dictionary::getBitsFromByteList(dictionary->bytesList.row(first + i), 5));
    }
  }

  /// 0: the ray passes; 1: it meets the rim; from 2 on: parts of the face.
  int part(const Ray& ray) const {
    const PointMm v = ray.at - card_.centre;
    if (dot(v, v) > reach_mm_ * reach_mm_) return 0;
    const PointMm face = on_card(ray.behind(-card_.thickness_mm));
    if (on_body(face)) return 2 + print(face);
    const bool rim =
        on_body(on_card(ray.behind(-card_.thickness_mm / 2))) || on_body(on_card(ray.at));
    return rim ? 1 : 0;
  }

  Colour colour(int part) const {
    if (part == 1) return scaled(card_.colour, 0.5);
    if (part == 2) return card_.colour;
    if (part == 3) return {0.035F, 0.035F, 0.035F};
    return {0.1F, 0.45F, 0.55F};
  }

 private:
  PointMm on_card(PointMm p) const {
    const PointMm v = p - card_.centre;
    return {dot(v, along_), cross(along_, v)};
  }

  bool on_body(PointMm p) const {
    const double r = card_.corner_radius_mm;
    const double x = std::abs(p.x) - card_.width_mm / 2 + r;
    const double y = std::abs(p.y) - card_.height_mm / 2 + r;
    if (x > r || y > r) return false;
    return x <= 0 || y <= 0 || x * x + y * y <= r * r;
  }

  int print(PointMm p) const {
    if (card_.kind == CardKind::plain) {
      if (!card_.decorated) return 0;
      if (std::abs(p.y + 9) < 4) return 1;
      return std::abs(p.x + 25) < 6 && std::abs(p.y - 6) < 5 ? 2 : 0;
    }
    const double across = card_.print_scale * (1 - card_.print_aspect / 2) * square_mm_;
    const double upright = card_.print_scale * (1 + card_.print_aspect / 2) * square_mm_;
    const double u = p.x / across + columns_ / 2.0, v = rows_ / 2.0 - p.y / upright;
    if (u < 0 || v < 0 || u >= columns_ || v >= rows_) return 0;
    const int column = static_cast<int>(u), row = static_cast<int>(v);
    if ((column + row) % 2 == 0) return 1;
    const int marker = (row * columns_ + column) / 2;
    const double module = marker_mm_ / 7 / square_mm_;
    const double margin = (1 - marker_mm_ / square_mm_) / 2;
    const double mu = (u - column - margin) / module, mv = (v - row - margin) / module;
    if (mu < 0 || mv < 0 || mu >= 7 || mv >= 7) return 0;
    const int i = static_cast<int>(mv) - 1, j = static_cast<int>(mu) - 1;
    if (i < 0 || j < 0 || i > 4 || j > 4) return 1;
    return bits_[static_cast<std::size_t>(marker)].at<unsigned char>(i, j) != 0 ? 0 : 1;
  }

  SceneCard card_;
  PointMm along_;
  double reach_mm_ = 0;
  int columns_ = 5, rows_ = 3;
  double square_mm_ = 16, marker_mm_ = 12;
  std::vector<cv::Mat> bits_;
};

/// Which pieces can be nearest within each cell of the plane, and which cells need none.
class Cells {
 public:
  enum class Side { inside, near, outside };
  struct Cell {
    Side side = Side::outside;
    std::vector<std::uint8_t> candidates;
  };

  Cells(const PaneShape& shape, double inwards_mm, double outwards_mm) {
    const PolygonMm outline = shape.polygon(0, 0.5);
    PointMm high = outline.front();
    low_ = high;
    for (const PointMm& p : outline) {
      low_ = {std::min(low_.x, p.x), std::min(low_.y, p.y)};
      high = {std::max(high.x, p.x), std::max(high.y, p.y)};
    }
    const double margin = outwards_mm + 2 * kCellMm;
    low_ = low_ - PointMm{margin, margin};
    columns_ = static_cast<int>((high.x + margin - low_.x) / kCellMm) + 1;
    rows_ = static_cast<int>((high.y + margin - low_.y) / kCellMm) + 1;
    const double half = kCellMm * std::numbers::sqrt2 / 2;
    for (int row = 0; row < rows_; ++row) {
      for (int column = 0; column < columns_; ++column) {
        const PointMm centre = low_ + PointMm{(column + 0.5) * kCellMm, (row + 0.5) * kCellMm};
        const double d = shape.place(centre).distance_mm;
        Cell cell;
        cell.side = d < -inwards_mm - half ? Side::inside : Side::near;
        if (d > outwards_mm + half) cell.side = Side::outside;
        if (cell.side == Side::near) cell.candidates = candidates(shape, centre, std::abs(d), half);
        cells_.push_back(cell);
      }
    }
  }

  const Cell& at(PointMm p) const {
    const double column = (p.x - low_.x) / kCellMm, row = (p.y - low_.y) / kCellMm;
    if (!(column >= 0 && row >= 0 && column < columns_ && row < rows_)) return beyond_;
    return cells_[static_cast<std::size_t>(static_cast<int>(row) * columns_ +
                                           static_cast<int>(column))];
  }

 private:
  static std::vector<std::uint8_t> candidates(const PaneShape& shape, PointMm centre, double best,
                                              double half) {
    std::vector<std::uint8_t> out;
    for (std::size_t i = 0; i < shape.pieces().size(); ++i) {
      const auto index = static_cast<std::uint8_t>(i);
      const ShapePiece& piece = shape.pieces()[i];
      const double to_ends = std::min(distance(piece.start, centre), distance(piece.end, centre));
      const double d = std::min(std::abs(shape.place(centre, {index}).distance_mm), to_ends);
      if (d <= best + 2 * half) out.push_back(index);
    }
    return out;
  }

  PointMm low_;
  int columns_ = 0, rows_ = 0;
  std::vector<Cell> cells_;
  Cell beyond_;
};

/// From a pixel to the ray's place on the outer face.
class Rays {
 public:
  explicit Rays(const Scene& scene)
      : scene_(scene),
        camera_(scene.camera),
        back_(camera_.rotation.transpose()),
        height_mm_(camera_.position.z()) {
    const Camera& camera = scene.camera;
    const double w = camera.width_px / camera.f_px, h = camera.height_px / camera.f_px;
    step_ = (w * w + h * h) * 0.6 / kSteps;
    double guess = 0;
    for (int i = 0; i <= kSteps + 1; ++i) {
      const double wanted = std::sqrt(i * step_);
      double r = std::max(guess, wanted);
      for (int k = 0; k < 30; ++k) {
        const double r2 = r * r;
        const double miss = r * (1 + r2 * (camera.k1 + r2 * camera.k2)) - wanted;
        r -= miss / (1 + r2 * (3 * camera.k1 + 5 * r2 * camera.k2));
      }
      guess = r;
      stretch_.push_back(wanted > 0 ? r / wanted : 1);
    }
  }

  Ray at(double px_x, double px_y) const {
    const double xd = (px_x - camera_.cx_px) / camera_.f_px;
    const double yd = (px_y - camera_.cy_px) / camera_.f_px;
    const double q = std::min((xd * xd + yd * yd) / step_, static_cast<double>(kSteps));
    const auto i = static_cast<std::size_t>(q);
    const double t = q - static_cast<double>(i);
    const double s = (1 - t) * stretch_[i] + t * stretch_[i + 1];
    const double x = s * xd, y = s * yd;
    const double deeper = -1 / (back_(2, 0) * x + back_(2, 1) * y + back_(2, 2));
    Ray ray;
    ray.slope = {(back_(0, 0) * x + back_(0, 1) * y + back_(0, 2)) * deeper,
                 (back_(1, 0) * x + back_(1, 1) * y + back_(1, 2)) * deeper};
    ray.at = PointMm{camera_.position.x(), camera_.position.y()} + height_mm_ * ray.slope;
    if (scene_.bow_mm == 0) return ray;
    const Ray flat = ray;  // each turn leaves under a hundredth of what was missing
    for (int turn = 0; turn < 3; ++turn) ray.at = flat.behind(depth_mm(scene_, ray.at));
    return ray;
  }

 private:
  static constexpr int kSteps = 4096;
  Scene scene_;
  Camera camera_;
  Eigen::Matrix3d back_;
  double height_mm_, step_ = 0;
  std::vector<double> stretch_;
};

class Painter {
 public:
  explicit Painter(const Scene& scene)
      : scene_(scene),
        shape_(scene.vertices),
        cells_(shape_, reach_inwards_mm(scene), scene.seal_mm + 25) {
    for (const SceneCard& card : scene.cards) cards_.emplace_back(card);
    std::stable_sort(scene_.cabin_patches.begin(), scene_.cabin_patches.end(),
                     [](const Patch& a, const Patch& b) { return a.depth_mm < b.depth_mm; });
    if (scene.band && scene.band->rows > 0) {
      dots_along_ = std::floor(shape_.perimeter_mm() / scene.band->pitch_mm);
    }
  }

  Sample at(const Ray& ray) const {
    for (std::size_t i = 0; i < cards_.size(); ++i) {
      const int part = cards_[i].part(ray);
      if (part > 0) {
        return {static_cast<std::uint32_t>(100 + 10 * i) + static_cast<std::uint32_t>(part),
                cards_[i].colour(part)};
      }
    }
    const Cells::Cell& cell = cells_.at(ray.at);
    if (cell.side == Cells::Side::outside) return body(ray, 1);
    if (cell.side == Cells::Side::inside) return glass(ray);
    const Place place = shape_.place(ray.at, cell.candidates);
    if (place.distance_mm > scene_.seal_mm) {
      return body(ray, 1 - 0.4 * std::exp((scene_.seal_mm - place.distance_mm) / 5));
    }
    if (place.distance_mm > 0) return seal(place);
    Sample sample = scene_.band ? banded_glass(ray) : glass(ray);
    const double shade = std::exp(place.distance_mm / scene_.contact_shadow_mm);
    sample.colour = scaled(sample.colour, 1 - scene_.contact_shadow * shade);
    return sample;
  }

 private:
  static double reach_inwards_mm(const Scene& scene) {
    const double band = scene.band ? dots_inset_mm(*scene.band) + 8 : 0;
    return std::max(band, 6 * scene.contact_shadow_mm);
  }

  Sample body(const Ray& ray, double shade) const {
    for (std::size_t i = 0; i < scene_.body_patches.size(); ++i) {
      if (holds(scene_.body_patches[i], ray.at)) {
        return {static_cast<std::uint32_t>(10 + i), scene_.body_patches[i].colour};
      }
    }
    const PointMm v = (1 / scene_.lamp_mm) * (ray.at - scene_.lamp);
    const double lamp = 1 / (1 + dot(v, v));
    return {1, scaled(scene_.body, shade * (0.6 + scene_.lamp_gain * lamp * lamp))};
  }

  /// A parabolic bead: its flanks rise at 45 deg, so that no view under 45 deg hides the edge.
  Sample seal(const Place& place) const {
    const double slope = 1 - 2 * place.distance_mm / scene_.seal_mm;
    const PointMm tilt = -slope * place.normal;
    const double light = (0.25 * tilt.x + 0.75 * tilt.y + 0.6) / std::sqrt(1 + slope * slope);
    return {2, scaled(scene_.seal, 0.35 + 1.2 * std::max(0.0, light))};
  }

  Sample glass(const Ray& ray) const {
    Sample sample{1000, scene_.cabin};
    for (std::size_t i = 0; i < scene_.cabin_patches.size(); ++i) {
      const Patch& patch = scene_.cabin_patches[i];
      if (!holds(patch, ray.behind(patch.depth_mm))) continue;
      sample.colour = patch.colour;
      sample.label += static_cast<std::uint32_t>(i + 1);
      break;
    }
    reflect(ray, sample);
    return sample;
  }

  void reflect(const Ray& ray, Sample& sample) const {
    for (std::size_t i = 0; i < scene_.reflections.size(); ++i) {
      const Patch& patch = scene_.reflections[i];
      if (!holds(patch, ray.behind(patch.depth_mm))) continue;
      for (std::size_t k = 0; k < 3; ++k) sample.colour[k] += patch.colour[k];
      sample.label += 64U << i;
    }
  }

  Sample banded_glass(const Ray& ray) const {
    const double s2 = dot(ray.slope, ray.slope), n2 = scene_.refractive_index;
    const double deeper = scene_.glass_thickness_mm / std::sqrt(n2 * n2 * (1 + s2) - s2);
    const PointMm inner = ray.behind(deeper);
    const Place place = shape_.place(inner, cells_.at(inner).candidates);
    if (!on_band(inner, place)) return glass(ray);
    Sample sample{5000, {0.008F, 0.008F, 0.008F}};
    reflect(ray, sample);
    return sample;
  }

  bool on_band(PointMm p, const Place& place) const {
    const Band& band = *scene_.band;
    const double depth = -place.distance_mm;
    if (depth < band.solid_mm) return true;
    if (band.rows == 0 || !(depth < dots_inset_mm(band) + 1)) return false;
    const double row_mm = 0.866 * band.pitch_mm;
    const double row = std::round((depth - band.solid_mm) / row_mm - 0.55 / 0.866);
    if (row < 0 || row >= band.rows) return false;
    const double across = depth - band.solid_mm - row * row_mm - 0.55 * band.pitch_mm;
    const double step = shape_.perimeter_mm() / dots_along_;
    const double offset = std::fmod(row, 2) / 2;
    const double s = shape_.arc_length_mm(p, place.piece) / step - offset;
    // On a rounded corner the rows are shorter than the outline that counts their dots.
    const ShapePiece& piece = shape_.pieces()[static_cast<std::size_t>(place.piece)];
    const double squeeze = piece.radius_mm > 0 ? 1 - piece.bend * depth / piece.radius_mm : 1;
    const double along = (s - std::round(s)) * step * squeeze;
    const double radius =
        band.pitch_mm * (band.rows > 1 ? 0.38 - 0.18 * row / (band.rows - 1) : 0.2);
    return across * across + along * along < radius * radius;
  }

  Scene scene_;
  PaneShape shape_;
  Cells cells_;
  std::vector<CardFace> cards_;
  double dots_along_ = 0;
};

void paint(const Painter& painter, const Rays& rays, cv::Mat& light, cv::Mat& labels) {
  cv::parallel_for_({0, light.rows}, [&](const cv::Range& range) {
    for (int y = range.start; y < range.end; ++y) {
      auto* out = light.ptr<cv::Vec3f>(y);
      auto* label = labels.ptr<int>(y);
      for (int x = 0; x < light.cols; ++x) {
        const Sample sample = painter.at(rays.at(x + 0.5, y + 0.5));
        out[x] = {sample.colour[0], sample.colour[1], sample.colour[2]};
        label[x] = static_cast<int>(sample.label);
      }
    }
  });
}

/// Pixels whose neighbour bears another label are averaged over kSuper x kSuper samples.
void smooth_edges(const Painter& painter, const Rays& rays, cv::Mat& light, const cv::Mat& labels) {
  cv::parallel_for_({0, light.rows}, [&](const cv::Range& range) {
    for (int y = range.start; y < range.end; ++y) {
      const auto* here = labels.ptr<int>(y);
      const auto* above = labels.ptr<int>(std::max(y - 1, 0));
      const auto* below = labels.ptr<int>(std::min(y + 1, light.rows - 1));
      for (int x = 0; x < light.cols; ++x) {
        const int left = here[std::max(x - 1, 0)], right = here[std::min(x + 1, light.cols - 1)];
        const int label = here[x];
        if (label == left && label == right && label == above[x] && label == below[x]) continue;
        cv::Vec3f sum(0, 0, 0);
        for (int k = 0; k < kSuper * kSuper; ++k) {
          const Sample sample =
              painter.at(rays.at(x + (k % kSuper + 0.5) / kSuper, y + (k / kSuper + 0.5) / kSuper));
          sum += cv::Vec3f(sample.colour[0], sample.colour[1], sample.colour[2]);
        }
        light.at<cv::Vec3f>(y, x) = sum * (1.0F / (kSuper * kSuper));
      }
    }
  });
}

void shake(cv::Mat& light, double length_px, double direction_deg) {
  const int half = static_cast<int>(std::ceil(length_px / 2)) + 1;
  cv::Mat kernel = cv::Mat::zeros(2 * half + 1, 2 * half + 1, CV_32F);
  const double angle = direction_deg * std::numbers::pi / 180;
  const int steps = 64;
  for (int i = 0; i < steps; ++i) {
    const double t = ((i + 0.5) / steps - 0.5) * length_px;
    const double x = half + t * std::cos(angle), y = half + t * std::sin(angle);
    const int x0 = static_cast<int>(x), y0 = static_cast<int>(y);
    for (int k = 0; k < 4; ++k) {
      const double wx = k % 2 == 0 ? 1 - (x - x0) : x - x0;
      const double wy = k / 2 == 0 ? 1 - (y - y0) : y - y0;
      kernel.at<float>(y0 + k / 2, x0 + k % 2) += static_cast<float>(wx * wy / steps);
    }
  }
  cv::filter2D(light, light, -1, kernel, {-1, -1}, 0, cv::BORDER_REPLICATE);
}

constexpr int kTile = 512;

cv::Mat noise_tile(const Scene& scene) {
  cv::Mat tile(kTile, kTile, CV_32FC3);
  cv::RNG random(scene.seed);
  random.fill(tile, cv::RNG::NORMAL, 0, 1);
  if (scene.noise_correlation_px <= 0) return tile;
  cv::GaussianBlur(tile, tile, {0, 0}, scene.noise_correlation_px);
  cv::Scalar mean, deviation;
  cv::meanStdDev(tile.reshape(1), mean, deviation);
  return tile / deviation[0];
}

/// sRGB's transfer curve (IEC 61966-2-1) as a table over linear light.
constexpr int kToneSteps = 1 << 14;
std::vector<unsigned char> tone_table() {
  std::vector<unsigned char> table;
  for (int i = 0; i <= kToneSteps; ++i) {
    const double v = static_cast<double>(i) / kToneSteps;
    const double s = v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055;
    table.push_back(static_cast<unsigned char>(std::lround(255 * s)));
  }
  return table;
}

/// Exposure, noise and tone. The noise tile is laid with a new offset every 64 rows, each time
/// from the start of a stretch of 256 columns, so that it does not repeat as a pattern.
cv::Mat develop(const Scene& scene, const cv::Mat& light) {
  const cv::Mat tile = noise_tile(scene);
  const std::vector<unsigned char> tone = tone_table();
  const auto exposure = static_cast<float>(scene.exposure);
  const auto shot = static_cast<float>(scene.shot_noise);
  const auto read = static_cast<float>(scene.read_noise * scene.read_noise);
  cv::Mat out(light.size(), CV_8UC3);
  cv::parallel_for_({0, light.rows}, [&](const cv::Range& range) {
    for (int y = range.start; y < range.end; ++y) {
      const auto* in = light.ptr<float>(y);
      auto* bytes = out.ptr<unsigned char>(y);
      for (int block = 0; block < light.cols; block += 256) {
        Dice dice(scene.seed ^ static_cast<std::uint64_t>((y / 64) * 1000 + block / 256));
        const int column = dice.below(kTile - 256), row = dice.below(kTile - 64) + y % 64;
        const float* noise = tile.ptr<float>(row) + 3 * column;
        const int end = 3 * std::min(block + 256, light.cols);
        for (int i = 3 * block; i < end; ++i) {
          const float v = exposure * in[i];
          const float noisy = v + noise[i - 3 * block] * std::sqrt(shot * v + read);
          const float level = std::clamp(noisy, 0.0F, 1.0F) * kToneSteps + 0.5F;
          bytes[i] = tone[static_cast<std::size_t>(level)];
        }
      }
    }
  });
  return out;
}

}  // namespace

photo::Photo render(const Scene& scene) {
  const Painter painter(scene);
  const Rays rays(scene);
  cv::Mat light(scene.camera.height_px, scene.camera.width_px, CV_32FC3);
  cv::Mat labels(light.size(), CV_32S);
  paint(painter, rays, light, labels);
  smooth_edges(painter, rays, light, labels);
  if (scene.blur_px > 0) cv::GaussianBlur(light, light, {0, 0}, scene.blur_px);
  if (scene.shake_px > 0) shake(light, scene.shake_px, scene.shake_deg);
  photo::Photo photo;
  photo.bgr = develop(scene, light);
  if (scene.jpeg_quality > 0) {
    std::vector<unsigned char> bytes;
    cv::imencode(".jpg", photo.bgr, bytes, {cv::IMWRITE_JPEG_QUALITY, scene.jpeg_quality});
    photo.bgr = cv::imdecode(bytes, cv::IMREAD_COLOR);
  }
  cv::cvtColor(photo.bgr, photo.grey, cv::COLOR_BGR2GRAY);
  photo.exif.make = "panecard";
  photo.exif.model = "rendered";
  return photo;
}

}  // namespace panecard::support
