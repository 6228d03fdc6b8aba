#include "app/job_photos.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <opencv2/imgproc.hpp>

#include "app/picture_file.h"
#include "drawings/drawings.h"
#include "model/model.h"
#include "photo/photo.h"
#include "records/records.h"

namespace panecard::app {
namespace {

namespace fs = std::filesystem;
using drawings::JobPane;
using model::Measurement;

/// What a result file names may be anything; only a file's name is looked for. Of several photos
/// of one pane the outline is drawn in the first.
std::string photo_name(const Measurement& m) {
  return fs::path(m.photo_name.substr(0, m.photo_name.find(", "))).filename().string();
}

struct Given {
  std::string path, sha256;
  bool folder = false, used = false;
};

Result<std::string> bytes_of(const std::string& path) {
  constexpr std::size_t kMostBytes = std::size_t{512} << 20;  // as many as photo::load reads
  return read_file(path, kMostBytes);
}

Result<std::vector<Given>> look_at(const std::vector<std::string>& paths) {
  std::vector<Given> out;
  std::error_code ignored;
  for (const std::string& path : paths) {
    Given given{path, {}, fs::is_directory(path, ignored), false};
    if (!given.folder) {
      const auto bytes = bytes_of(path);
      if (!bytes.ok()) return bytes.error();
      given.sha256 = records::hex(records::sha256(bytes.value()));
    }
    out.push_back(std::move(given));
  }
  return out;
}

/// A photo that says it is the pane's, or the reason why there is none.
struct Found {
  std::string path, why_not;
};

Found find_photo(const Measurement& m, const std::string& result, std::vector<Given>& given) {
  const std::string name = photo_name(m);
  const auto same = [&](const std::string& sha256) { return sha256 == m.photo_sha256; };
  for (Given& g : given) {
    const bool fits = m.photo_sha256.empty() ? fs::path(g.path).filename() == name : same(g.sha256);
    if (g.folder || !fits) continue;
    g.used = true;
    return {g.path, {}};
  }
  if (name.empty()) return {{}, "the result file names no photo"};
  std::vector<fs::path> folders;
  for (const Given& g : given) {
    if (g.folder) folders.emplace_back(g.path);
  }
  folders.push_back(fs::path(result).parent_path());
  Found found{{}, "no photo: '" + name + "' was not found; name it with --photo"};
  std::error_code ignored;
  for (const fs::path& folder : folders) {
    const std::string path = (folder / name).string();
    if (!fs::is_regular_file(path, ignored)) continue;
    const auto bytes = bytes_of(path);
    if (bytes.ok() &&
        (m.photo_sha256.empty() || same(records::hex(records::sha256(bytes.value()))))) {
      return {path, {}};
    }
    found.why_not = "no photo: '" + path + "' is called like it but is another one";
  }
  return found;
}

/// What is around the pane and its cards, with a margin, within the photo.
cv::Rect around(const Measurement& m, const cv::Size& photo) {
  constexpr double kMargin = 0.05;  // of the longer side
  double low_x = 1e9, low_y = 1e9, high_x = -1e9, high_y = -1e9;
  const auto widen = [&](const std::vector<PointPx>& points) {
    for (const PointPx p : points) {
      low_x = std::min(low_x, p.x), low_y = std::min(low_y, p.y);
      high_x = std::max(high_x, p.x), high_y = std::max(high_y, p.y);
    }
  };
  widen(m.outline.points_px);
  for (const model::CardMark& card : m.cards) widen(card.corners_px);
  const double margin = kMargin * std::max(high_x - low_x, high_y - low_y);
  const auto within = [](double v, int most) {
    return static_cast<int>(std::lround(std::clamp(v, 0.0, static_cast<double>(most))));
  };
  const cv::Point low(within(low_x - margin, photo.width), within(low_y - margin, photo.height));
  const cv::Point high(within(high_x + margin, photo.width), within(high_y + margin, photo.height));
  return {low, high};
}

drawings::JobPhoto picture_of(const photo::Photo& photo, Measurement m, Units units) {
  constexpr double kLongestSide_px = 1400;
  const cv::Rect part = around(m, photo.bgr.size());
  const double scale = std::min(1.0, kLongestSide_px / std::max(part.width, part.height));
  cv::Mat picture;
  cv::resize(photo.bgr(part), picture, {}, scale, scale, cv::INTER_AREA);
  cv::cvtColor(picture, picture, cv::COLOR_BGR2BGRA);
  const auto shift = [&](std::vector<PointPx>& points) {
    for (PointPx& p : points) p = {p.x - part.x, p.y - part.y};
  };
  shift(m.outline.points_px);
  for (model::CardMark& card : m.cards) shift(card.corners_px);
  drawings::draw_overlay(
      {picture.data, picture.cols, picture.rows, static_cast<int>(picture.step), scale}, m, units);
  cv::cvtColor(picture, picture, cv::COLOR_BGRA2BGR);
  constexpr int kQuality = 85;
  return {to_jpeg(picture, kQuality), picture.cols, picture.rows};
}

std::string size_text(int width_px, int height_px) {
  return std::to_string(width_px) + " x " + std::to_string(height_px) + " px";
}

/// Why a photo is not the one that was measured; empty: it is.
std::string not_the_same(const photo::Photo& photo, const Measurement& m) {
  const cv::Size size = photo.bgr.size();
  if (size != cv::Size(m.photo_width_px, m.photo_height_px)) {
    return "it has " + size_text(size.width, size.height) + ", the one measured had " +
           size_text(m.photo_width_px, m.photo_height_px);
  }
  constexpr int kLeastSide_px = 16;
  const cv::Rect part = around(m, size);
  if (std::min(part.width, part.height) < kLeastSide_px) return "the outline lies outside it";
  return {};
}

void add_photo(JobPane& pane, const std::string& path, Units units) {
  const auto photo = photo::load(path);
  if (!photo.ok()) {
    pane.no_photo = "no photo: " + photo.error().detail;
    return;
  }
  const std::string why = not_the_same(photo.value(), pane.measured);
  if (why.empty()) {
    pane.photo = picture_of(photo.value(), pane.measured, units);
  } else {
    pane.no_photo = "no photo: '" + path + "' is not the one that was measured: " + why;
  }
}

/// Without SHA-256, photos of one name can be told apart by nothing but luck.
bool ambiguous(const std::vector<JobPane>& panes, const Measurement& m) {
  return m.photo_sha256.empty() && std::count_if(panes.begin(), panes.end(), [&](const JobPane& p) {
                                     return photo_name(p.measured) == photo_name(m);
                                   }) > 1;
}

}  // namespace

Outcome add_photos(std::vector<JobPane>& panes, const std::vector<std::string>& paths,
                   const std::vector<std::string>& given, Units units) {
  auto looked = look_at(given);
  if (!looked.ok()) return looked.error();
  for (std::size_t k = 0; k < panes.size(); ++k) {
    const Found found = find_photo(panes[k].measured, paths[k], looked.value());
    panes[k].no_photo = found.why_not;
    if (found.path.empty()) continue;
    if (ambiguous(panes, panes[k].measured)) {
      panes[k].no_photo = "no photo: several panes name '" + photo_name(panes[k].measured) +
                          "', and their result files do not say whose it is; measure them again";
    } else {
      add_photo(panes[k], found.path, units);
    }
  }
  for (const Given& g : looked.value()) {
    if (g.folder || g.used) continue;
    return Error{Code::bad_usage, "--photo '" + g.path +
                                      "' is the photo of none of the panes as it was measured; "
                                      "the result files name their photos"};
  }
  return std::nullopt;
}

}  // namespace panecard::app
