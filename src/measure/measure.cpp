#include "measure/measure.h"

#include <algorithm>
#include <filesystem>
#include <opencv2/core/utility.hpp>
#include <utility>

#include "measure/lens_choice.h"
#include "outline/outline.h"
#include "quality/quality.h"
#include "records/records.h"
#include "report/report.h"

namespace panecard::measure {
namespace {

const char* name_of(card::Kind kind) {
  switch (kind) {
    case card::Kind::sheet:
      return "sheet";
    case card::Kind::card:
      return "card";
    case card::Kind::plain:
      return "plain";
  }
  return "card";
}

void append(std::vector<Finding>& to, const std::vector<Finding>& from) {
  to.insert(to.end(), from.begin(), from.end());
}

/// Each finding once: several photos share most of them.
void append_new(std::vector<Finding>& to, const std::vector<Finding>& from) {
  for (const Finding& f : from) {
    const bool known = std::any_of(to.begin(), to.end(), [&](const Finding& other) {
      return other.code == f.code && (other.text == f.text || f.code == "lens_unknown");
    });
    if (!known) to.push_back(f);
  }
}

/// Whether the photo is at fault, rather than an option or a file.
bool about_photo(Code code) {
  switch (code) {
    case Code::card_not_found:
    case Code::card_cut_off:
    case Code::cards_disagree:
    case Code::too_blurred:
    case Code::plane_too_uncertain:
    case Code::boundary_not_seen:
    case Code::degenerate_shape:
    case Code::poses_too_alike:
    case Code::too_few_photos:
      return true;
    case Code::bad_usage:
    case Code::unreadable_file:
    case Code::too_large:
    case Code::unwritable_file:
    case Code::does_not_fit:
      return false;
  }
  return false;
}

/// "'photo.jpg': " before what is wrong with a photo.
Error named(const std::string& name, const Error& error) {
  return {error.code,
          (about_photo(error.code) ? "'" + name + "': " : std::string()) + error.detail};
}

std::string name_of_all(const Photos& photos) {
  return photos.names.size() == 1 ? photos.names.front()
                                  : std::to_string(photos.names.size()) + " photos";
}

std::optional<Error> outside_photo(const photo::Photo& photo, const std::vector<PointPx>& near) {
  for (const PointPx p : near) {
    if (p.x < 0 || p.y < 0 || p.x > photo.bgr.cols || p.y > photo.bgr.rows) {
      return Error{Code::bad_usage, "--near " + to_text(p.x, 1) + "," + to_text(p.y, 1) +
                                        " is outside the photo of " +
                                        say_size(photo.bgr.cols, photo.bgr.rows) +
                                        "; give pixels of the upright photo"};
    }
  }
  return std::nullopt;
}

std::optional<card::MeasuredBow> seen_bow(const Options& options) {
  if (!options.bow) return std::nullopt;
  const double side = options.seen_from == Side::inside ? -1 : 1;
  return card::MeasuredBow{side * options.bow->curvature_per_mm, options.bow->sigma_per_mm,
                           options.bow->vertical_axis};
}

trace::Options tracing_options(const Options& options) {
  trace::Options tracing;
  tracing.boundary = options.boundary;
  tracing.near = options.near;
  if (options.glass_thickness_mm) {
    tracing.glass_thickness_mm = *options.glass_thickness_mm;
    tracing.sigma_glass_thickness_mm = 0.1;  // a nominal size, or a gauge on the pane's edge
  }
  if (options.seen_from == Side::inside) {  // the print is on the face that the camera sees
    tracing.glass_thickness_mm = tracing.sigma_glass_thickness_mm = 0;
  }
  return tracing;
}

struct Seen {
  std::vector<card::View> views;
  std::vector<Finding> findings;
};

Result<Seen> detect_cards(const Photos& photos, const Options& options) {
  card::DetectOptions find;
  find.plain = options.plain;
  Seen seen;
  for (std::size_t i = 0; i < photos.images.size(); ++i) {
    const auto chosen = choose_lens(options, photos.images[i]);
    if (!chosen.ok()) return chosen.error();
    auto cards = card::detect_cards(photos.images[i], chosen->lens, find);
    if (!cards.ok()) return named(photos.names[i], cards.error());
    for (card::DetectedCard& card : cards.value()) {
      if (options.card_thickness_mm && card.kind != card::Kind::sheet) {
        card.thickness_mm = *options.card_thickness_mm;
      }
      card::apply_print_scale(options.printed_bar_mm / kCheckBar_mm, card);
    }
    seen.views.push_back({std::move(cards.value()), chosen->lens});
    append(seen.findings, chosen->findings);
  }
  return seen;
}

model::Face face_of(const card::Plane& plane) {
  const card::PrincipalCurvatures c = card::curvature_of(plane);
  return {plane.bent_probability, c.major,   2 * c.sigma_major, c.minor,
          2 * c.sigma_minor,      c.axis_deg};
}

/// What the photo is like, and warnings where it costs.
void add_quality(const quality::PhotoQuality& quality, model::Measurement& m) {
  m.quality = quality::figures(quality, m.outline);
  append(m.warnings, quality::findings(m.quality, m.outline));
  const std::vector<SourceName>& sources = m.outline.sources;
  if (std::find(sources.begin(), sources.end(), SourceName(ErrorSource::box_choice)) !=
      sources.end()) {
    m.warnings.push_back(
        {"box_not_sure",
         "another rectangle encloses this pane about as closely, so that the box's sides may be "
         "those of either; the outline itself is not concerned"});
  }
}

/// Of the file as it lies there, so that a later command can tell it from others of its name.
std::string digest_of(const std::string& path) {
  constexpr std::size_t kMostBytes = std::size_t{512} << 20;
  const auto bytes = read_file(path, kMostBytes);
  return bytes.ok() ? records::hex(records::sha256(bytes.value())) : std::string();
}

std::string file_names(const std::vector<std::string>& names) {
  std::string out;
  for (const std::string& name : names) {
    out += (out.empty() ? "" : ", ") + std::filesystem::path(name).filename().string();
  }
  return out;
}

}  // namespace

Result<Photos> load(const std::vector<std::string>& paths, std::vector<std::string> names) {
  if (paths.empty()) return Error{Code::bad_usage, "there is no photo yet; give one"};
  if (paths.size() > kMostPhotos) {  // of 12 megapixels each, they take about half a gigabyte
    return Error{Code::bad_usage, "at most 12 photos of one pane; leave the weakest out"};
  }
  Photos photos{names.empty() ? paths : std::move(names), paths, {}};
  for (std::size_t i = 0; i < paths.size(); ++i) {
    auto photo = photo::load(paths[i]);
    if (!photo.ok()) {
      Error error = photo.error();
      const std::size_t at = error.detail.find(paths[i]);
      if (at != std::string::npos) error.detail.replace(at, paths[i].size(), photos.names[i]);
      return error;
    }
    photos.images.push_back(std::move(photo).value());
  }
  return photos;
}

Result<Prepared> prepare(const Photos& photos, const Options& options) {
  if (auto error = check(options)) return *error;
  auto seen = detect_cards(photos, options);
  if (!seen.ok()) return seen.error();
  auto planes = card::fit_planes(seen->views, seen_bow(options));
  if (!planes.ok()) return named(name_of_all(photos), planes.error());
  return Prepared{std::move(seen.value().views), std::move(planes).value(),
                  std::move(seen.value().findings)};
}

std::vector<trace::Shot> shots_of(const Photos& photos, const Prepared& prepared) {
  std::vector<trace::Shot> shots;
  for (std::size_t i = 0; i < photos.images.size(); ++i) {
    shots.push_back({&photos.images[i], &prepared.planes[i], &prepared.views[i].cards});
  }
  return shots;
}

Result<trace::Traced> trace_boundary(const Photos& photos, const Options& options,
                                     const Prepared& prepared) {
  if (auto error = check(options)) return *error;
  if (auto error = outside_photo(photos.images.front(), options.near)) return *error;
  auto traced = trace::trace(shots_of(photos, prepared), tracing_options(options));
  if (!traced.ok()) return named(name_of_all(photos), traced.error());
  return traced;
}

Result<model::Measurement> summarize(const Photos& photos, const Options& options,
                                     const Prepared& prepared, const trace::Traced& traced) {
  const photo::Photo& first = photos.images.front();
  const card::View& view = prepared.views.front();
  // What the photo is like does not depend on the outline, which one core alone fits.
  auto look = run_async(cv::getNumThreads() > 1, [&] {
    return quality::assess_photo(first, prepared.planes.front(), view.cards, traced.contour);
  });
  auto outline = outline::fit(traced.contour);
  if (!outline.ok()) return named(name_of_all(photos), outline.error());
  model::Measurement m;
  m.boundary = measure::name_of(options.boundary);
  m.verdict = report::verdict_on(outline.value(), Units::mm);
  m.outline = std::move(outline.value());
  for (const card::DetectedCard& card : view.cards) {
    m.cards.push_back({name_of(card.kind), card.id, card.body_px});
  }
  append_new(m.warnings, prepared.findings);
  for (const card::Plane& plane : prepared.planes) append_new(m.warnings, plane.findings);
  append_new(m.warnings, traced.findings);
  add_quality(look.get(), m);
  m.face = face_of(prepared.planes.front());
  m.photo_name = file_names(photos.names);
  m.photo_width_px = first.bgr.cols;
  m.photo_height_px = first.bgr.rows;
  m.lens_text = say_lens(view.lens, first.exif);
  return m;
}

void complete(const Photos& photos, const trace::Traced& traced, model::Measurement& m) {
  auto digest = run_async(cv::getNumThreads() > 1, [&] { return digest_of(photos.paths.front()); });
  m.covariance = outline::at_outline_points(traced.contour, m.outline);
  m.photo_sha256 = digest.get();
}

Result<model::Measurement> measure(const Photos& photos, const Options& options) {
  // Before the long work.
  if (auto error = outside_photo(photos.images.front(), options.near)) return *error;
  const auto prepared = prepare(photos, options);
  if (!prepared.ok()) return prepared.error();
  const auto traced = trace_boundary(photos, options, prepared.value());
  if (!traced.ok()) return traced.error();
  auto m = summarize(photos, options, prepared.value(), traced.value());
  if (m.ok()) complete(photos, traced.value(), m.value());
  return m;
}

}  // namespace panecard::measure
