#include "app/page/worker.h"

#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <filesystem>
#include <iostream>
#include <map>
#include <new>
#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <thread>

#include "app/app.h"
#include "app/page/view_json.h"
#include "app/photo_options.h"
#include "app/picture_file.h"
#include "measure/measure.h"
#include "model/model.h"
#include "records/records.h"

namespace panecard::app::page {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;

void say(const json& what) {
  std::cout << what.dump(-1, ' ', false, json::error_handler_t::replace) << std::endl;
}

/// @param picture  the small copy of the photo is there to be shown
void say_progress(const char* what, bool picture = false) {
  say({{"progress", {{"text", what}, {"picture", picture}}}});
}

std::string jpeg_of(const cv::Mat& bgr, int longest_px, int quality) {
  const int longest = std::max(bgr.cols, bgr.rows);
  if (longest <= longest_px) return to_jpeg(bgr, quality);
  const double scale = static_cast<double>(longest_px) / longest;
  cv::Mat small;
  cv::resize(bgr, small, {}, scale, scale, cv::INTER_AREA);
  return to_jpeg(small, quality);
}

struct Asked {
  fs::path folder;
  std::vector<std::string> paths, names;
  PhotoOptions options;
  std::vector<json> edits;
};

Asked asked_in(const json& request) {
  Asked out;
  out.folder = request.at("folder").get<std::string>();
  for (const json& photo : request.at("photos")) {
    out.paths.push_back(out.folder / photo.at("file").get<std::string>());
    out.names.push_back(photo.at("name").get<std::string>());
  }
  const json& said = request.at("options");
  PhotoOptions& o = out.options;
  o.boundary = said.value("boundary", o.boundary);
  o.plain = said.value("plain", o.plain);
  o.seen_from = said.value("seen_from", o.seen_from);
  o.glass_thickness = said.value("glass_thickness", o.glass_thickness);
  o.card_thickness = said.value("card_thickness", o.card_thickness);
  o.bow = said.value("bow", o.bow);
  o.bow_axis = said.value("bow_axis", o.bow_axis);
  for (const json& edit : request.at("edits")) out.edits.push_back(edit);
  return out;
}

trace::Mend mend_of(const json& edit) {
  trace::Mend out;
  out.kind = edit.at("kind") == "bridge" ? trace::Mend::Kind::bridge : trace::Mend::Kind::through;
  for (const json& p : edit.at("points")) {
    out.path.push_back({p.at(0).get<double>(), p.at(1).get<double>()});
  }
  out.sigma_px = edit.at("reach_px");
  return out;
}

/// What was worked out so far, from stage to stage; a stage that is asked for alike is not redone.
class Desk {
 public:
  Result<json> measure(const json& request) {
    const Asked asked = asked_in(request);
    const auto wanted = parse(asked.options);
    if (!wanted.ok()) return wanted.error();
    if (auto error = look(asked, wanted.value())) return *error;
    if (auto error = trace(asked, wanted.value())) return *error;
    if (auto error = put_right(asked, wanted->boundary)) return *error;
    auto result =
        measure::summarize(photos_, wanted.value(), *prepared_, steps_.at(asked.edits.size()));
    if (!result.ok()) return result.error();
    measurement_ = std::move(result).value();
    return view_json(*measurement_);
  }

  /// The result file and a small copy of the photo, for the library.
  Result<json> keep(const json& request) {
    auto view = measure(request);
    if (!view.ok()) return view.error();
    const Asked asked = asked_in(request);
    measure::complete(photos_, steps_.at(asked.edits.size()), *measurement_);
    const fs::path& folder = asked.folder;
    constexpr int kSmall_px = 640, kQuality = 75;
    const auto wrote = write_file(folder / "result.json", records::to_json(*measurement_));
    if (!wrote.ok()) return wrote.error();
    const auto small =
        write_file(folder / "small.jpg", jpeg_of(photos_.images.front().bgr, kSmall_px, kQuality));
    if (!small.ok()) return small.error();
    return view;
  }

  /// The photo with every pixel, for looking closely.
  Result<json> full(const json& request) {
    const Asked asked = asked_in(request);
    if (auto error = load(asked)) return *error;
    constexpr int kQuality = 88;
    const auto wrote =
        write_file(asked.folder / "full.jpg", to_jpeg(photos_.images.front().bgr, kQuality));
    if (!wrote.ok()) return wrote.error();
    return json::object();
  }

  /// For corrections: done while the person looks at the first outline.
  void get_ready() {
    if (mender_ || steps_.empty()) return;
    mender_.emplace(measure::shots_of(photos_, *prepared_), boundary_);
  }

 private:
  std::optional<Error> load(const Asked& asked) {
    if (!photos_.images.empty() && photos_.paths == asked.paths) return std::nullopt;
    say_progress("reading the photo");
    *this = Desk();
    auto photos = measure::load(asked.paths, asked.names);
    if (!photos.ok()) return photos.error();
    photos_ = std::move(photos).value();
    return std::nullopt;
  }

  std::optional<Error> look(const Asked& asked, const measure::Options& wanted) {
    if (auto error = load(asked)) return error;
    const PhotoOptions& o = asked.options;
    const std::vector<std::string> key = {o.plain, o.seen_from, o.card_thickness, o.bow,
                                          o.bow_axis};
    if (prepared_ && looked_for_ == key) return std::nullopt;
    mender_.reset();
    steps_.clear();
    prepared_.reset();
    say_progress("looking for the cards");
    const fs::path picture = asked.folder / "preview.jpg";
    std::thread drawing;
    if (!fs::exists(picture)) {
      drawing = std::thread([this, picture] {
        constexpr int kPreview_px = 2000, kQuality = 82;
        (void)write_file(picture, jpeg_of(photos_.images.front().bgr, kPreview_px, kQuality));
      });
    }
    auto prepared = measure::prepare(photos_, wanted);
    if (drawing.joinable()) drawing.join();
    if (!prepared.ok()) return prepared.error();
    prepared_ = std::move(prepared).value();
    looked_for_ = key;
    return std::nullopt;
  }

  std::optional<Error> trace(const Asked& asked, const measure::Options& wanted) {
    const std::vector<std::string> key = {asked.options.boundary, asked.options.glass_thickness};
    if (!steps_.empty() && traced_as_ == key) return std::nullopt;
    mender_.reset();
    steps_.clear();
    made_.clear();
    say_progress("following the edge of the pane", true);
    auto traced = measure::trace_boundary(photos_, wanted, *prepared_);
    if (!traced.ok()) return traced.error();
    steps_.emplace(0, std::move(traced).value());
    traced_as_ = key;
    return std::nullopt;
  }

  /// One correction after the other, from the last step that both lists share.
  std::optional<Error> put_right(const Asked& asked, trace::Boundary boundary) {
    boundary_ = boundary;
    const std::size_t shared = static_cast<std::size_t>(
        std::mismatch(asked.edits.begin(), asked.edits.end(), made_.begin(), made_.end()).first -
        asked.edits.begin());
    steps_.erase(steps_.upper_bound(shared), steps_.end());
    made_ = asked.edits;
    for (std::size_t k = steps_.rbegin()->first; k < made_.size(); ++k) {
      get_ready();
      auto mended = (*mender_)(steps_.at(k), mend_of(made_[k]));
      if (!mended.ok()) {
        made_.resize(k);
        return mended.error();
      }
      steps_.emplace(k + 1, std::move(mended).value());
      constexpr std::size_t kMostSteps = 24;  // of some megabytes each
      if (steps_.size() > kMostSteps) steps_.erase(std::next(steps_.begin()));
    }
    return std::nullopt;
  }

  std::vector<std::string> looked_for_, traced_as_;
  measure::Photos photos_;
  std::optional<measure::Prepared> prepared_;
  std::optional<trace::Mender> mender_;
  trace::Boundary boundary_ = trace::Boundary::glass;
  std::map<std::size_t, trace::Traced> steps_;  ///< by the number of corrections made
  std::vector<json> made_;
  std::optional<model::Measurement> measurement_;
};

json answer(Desk& desk, const json& request) {
  const std::string what = request.at("do");
  const auto out = what == "keep"   ? desk.keep(request)
                   : what == "full" ? desk.full(request)
                                    : desk.measure(request);
  if (out.ok()) return {{"view", out.value()}};
  return {{"error", out.error().detail}, {"code", name_of(out.error().code)}};
}

}  // namespace

void run_worker() {
  constexpr unsigned kSilent_s = 900;
  Desk desk;
  ::alarm(kSilent_s);
  for (std::string line; std::getline(std::cin, line); ::alarm(kSilent_s)) {
    try {
      say(answer(desk, json::parse(line)));
      desk.get_ready();
    } catch (const std::bad_alloc&) {
      desk = Desk();
      say({{"error", "this photo takes more memory than there is for it; give a smaller one"}});
    } catch (const std::exception& e) {
      desk = Desk();
      say({{"error", std::string("gave up on this photo: ") + e.what() + "; take another one"}});
    }
  }
}

}  // namespace panecard::app::page
