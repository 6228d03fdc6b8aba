#include "app/batch_work.h"

#include <algorithm>
#include <nlohmann/json.hpp>
#include <opencv2/core/utility.hpp>
#include <opencv2/imgproc.hpp>

#include "app/library_use.h"
#include "app/picture_file.h"
#include "drawings/drawings.h"
#include "measure/measure.h"
#include "model/model.h"
#include "photo/photo.h"
#include "records/records.h"

namespace panecard::app {
namespace {

using Json = nlohmann::json;

Json binary(const std::string& bytes) {
  return Json::binary(std::vector<std::uint8_t>(bytes.begin(), bytes.end()));
}

std::string bytes_in(const Json& json) {
  const auto& bytes = json.get_binary();
  return {bytes.begin(), bytes.end()};
}

std::string packed(const Json& json) {
  std::string out;
  Json::to_cbor(json, out);
  return out;
}

/// For the page: half the copy's size, with the outline on it when there is one.
Json picture(const cv::Mat& small, const model::Measurement* m) {
  constexpr int kLongest_px = 480, kQuality = 78;
  const double scale =
      std::min(1.0, static_cast<double>(kLongest_px) / std::max(small.cols, small.rows));
  cv::Mat drawn;
  cv::resize(small, drawn, {}, scale, scale, cv::INTER_AREA);
  if (m != nullptr && m->photo_width_px > 0) {
    cv::cvtColor(drawn, drawn, cv::COLOR_BGR2BGRA);
    const double per_px = static_cast<double>(drawn.cols) / m->photo_width_px;
    drawings::draw_overlay(
        {drawn.data, drawn.cols, drawn.rows, static_cast<int>(drawn.step), per_px}, *m, Units::mm);
    cv::cvtColor(drawn, drawn, cv::COLOR_BGRA2BGR);
  }
  return {
      {"jpeg", binary(to_jpeg(drawn, kQuality))}, {"width", drawn.cols}, {"height", drawn.rows}};
}

Json sizes(const model::Measurement& m) {
  Json doubts = Json::array();
  for (const Finding& f : m.warnings) doubts.push_back({binary(f.code), binary(f.text)});
  const outline::Outline& o = m.outline;
  return {{"sides", {o.long_mm.value, o.long_mm.u95, o.short_mm.value, o.short_mm.u95}},
          {"verdict", binary(m.verdict)},
          {"doubts", doubts}};
}

Json failed(const Error& error) {
  return {{"code", static_cast<int>(error.code)}, {"why", binary(error.detail)}};
}

/// The very bytes that were looked up in the library.
Result<photo::Photo> photo_of(const std::string& path, const library::Sha256& hash) {
  constexpr std::size_t kMostBytes = std::size_t{512} << 20;
  const auto bytes = read_file(path, kMostBytes);
  if (!bytes.ok()) return bytes.error();
  if (library::sha256(bytes.value()) != hash) {
    return Error{Code::unreadable_file, "it changed while it was read; run the batch again"};
  }
  return photo::load_bytes(bytes.value(), path);
}

Json measured(const Measuring& work) {
  Json out = Json::object();
  measure::Photos photos{work.paths, work.paths, {}};
  Json copies = Json::array();
  cv::Mat first;
  for (std::size_t i = 0; i < work.hashes.size(); ++i) {
    auto photo = photo_of(work.paths[i], work.hashes[i]);
    if (!photo.ok()) return failed(photo.error());
    const cv::Mat small = small_copy(photo->bgr);
    if (i == 0) first = small;
    copies.push_back(binary(small_jpeg(small)));
    photos.images.push_back(std::move(photo.value()));
  }
  const auto wanted = parse(work.options);
  if (!wanted.ok()) return failed(wanted.error());
  const auto m = measure::measure(photos, wanted.value());
  if (!m.ok()) {
    out = failed(m.error());
    out["picture"] = picture(first, nullptr);
    return out;
  }
  out = sizes(m.value());
  out["result"] = binary(records::to_json(m.value()));
  out["copies"] = copies;
  out["picture"] = picture(first, &m.value());
  return out;
}

Json redrawn(const std::string& result_json, const std::map<std::string, std::string>& copies) {
  const auto m = records::measurement_in(result_json, "library");
  if (!m.ok()) return failed(m.error());
  Json out = sizes(m.value());
  const auto copy = copies.find(m->photo_sha256);
  if (copy == copies.end()) return out;
  const auto photo = photo::load_bytes(copy->second, "copy");
  if (photo.ok()) out["picture"] = picture(photo->bgr, &m.value());
  return out;
}

Measured unpacked(const Json& json) {
  Measured out;
  if (json.contains("picture")) {
    const Json& picture = json.at("picture");
    out.shown.picture = {bytes_in(picture.at("jpeg")), picture.at("width").get<int>(),
                         picture.at("height").get<int>()};
  }
  if (json.contains("code")) {
    out.error = Error{static_cast<Code>(json.at("code").get<int>()), bytes_in(json.at("why"))};
    return out;
  }
  const Json& sides = json.at("sides");
  out.shown.long_mm = {sides.at(0).get<double>(), sides.at(1).get<double>()};
  out.shown.short_mm = {sides.at(2).get<double>(), sides.at(3).get<double>()};
  out.shown.verdict = bytes_in(json.at("verdict"));
  for (const Json& doubt : json.at("doubts")) {
    out.codes.push_back(bytes_in(doubt.at(0)));
    out.shown.doubts.push_back(bytes_in(doubt.at(1)));
  }
  if (json.contains("result")) out.result_json = bytes_in(json.at("result"));
  if (!json.contains("copies")) return out;
  for (const Json& copy : json.at("copies")) out.copies.push_back(bytes_in(copy));
  return out;
}

}  // namespace

std::string measure_for_batch(const Measuring& work) {
  cv::setNumThreads(work.threads);
  try {
    return packed(measured(work));
  } catch (const std::bad_alloc&) {
    throw;
  } catch (const std::exception& e) {
    return packed(failed({Code::degenerate_shape, std::string("gave up: ") + e.what() +
                                                      "; take another photo and report this one"}));
  }
}

std::string redraw_for_batch(const std::string& result_json,
                             const std::map<std::string, std::string>& copies) {
  cv::setNumThreads(1);
  return packed(redrawn(result_json, copies));
}

Result<Measured> measured_in(const std::string& answer) {
  try {
    return unpacked(Json::from_cbor(answer));
  } catch (const nlohmann::json::exception&) {
    return Error{Code::unreadable_file, "its process gave no answer"};
  }
}

}  // namespace panecard::app
