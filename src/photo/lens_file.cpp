// Reads and writes lens profiles (JSON). Input is untrusted: every value is checked.
#include <Eigen/Eigenvalues>
#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "photo/photo.h"

namespace panecard::photo {
namespace {

using Json = nlohmann::ordered_json;

constexpr const char* kFormat = "panecard-lens";
constexpr int kVersion = 1;
constexpr std::size_t kMaxFileBytes = 1 << 20;
constexpr std::array<const char*, kLensSize> kNames = {"f_px", "cx_px", "cy_px", "k1",
                                                       "k2",   "k3",    "p1",    "p2"};

/// Why the file is no lens profile; thrown inside this file only.
struct Refusal {
  std::string what;
};

const Json& member(const Json& object, const char* name) {
  const auto found = object.find(name);
  if (found == object.end()) throw Refusal{std::string("\"") + name + "\" is missing"};
  return *found;
}

double number(const Json& value, const std::string& name) {
  if (!value.is_number()) throw Refusal{"\"" + name + "\" is not a number"};
  const double x = value.get<double>();
  if (!std::isfinite(x)) throw Refusal{"\"" + name + "\" is not finite"};
  return x;
}

int whole(const Json& object, const char* name, int least, int most) {
  const Json& value = member(object, name);
  if (!value.is_number_integer()) {
    throw Refusal{std::string("\"") + name + "\" is not a whole number"};
  }
  const double x = value.get<double>();
  if (x < least || x > most) {
    throw Refusal{std::string("\"") + name + "\" is not in " + to_text(least, 0) + " to " +
                  to_text(most, 0)};
  }
  return static_cast<int>(x);
}

std::string text(const Json& object, const char* name) {
  constexpr std::size_t kLongest = 64;
  const Json& value = member(object, name);
  if (!value.is_string()) throw Refusal{std::string("\"") + name + "\" is not a text"};
  std::string s = value.get<std::string>();
  const bool plain = std::all_of(s.begin(), s.end(), [](char c) { return c >= ' ' && c <= '~'; });
  if (s.size() > kLongest || !plain) {
    throw Refusal{std::string("\"") + name + "\" is longer than 64 or not plain ASCII"};
  }
  return s;
}

LensVector parameters(const Json& object) {
  LensVector value;
  for (int i = 0; i < kLensSize; ++i) {
    const char* name = kNames[static_cast<std::size_t>(i)];
    value[i] = number(member(object, name), name);
  }
  return value;
}

LensMatrix covariance_matrix(const Json& rows) {
  const auto sized = [](const Json& list) { return list.is_array() && list.size() == kLensSize; };
  if (!sized(rows) || !std::all_of(rows.begin(), rows.end(), sized)) {
    throw Refusal{"\"covariance\" is not 8 x 8"};
  }
  LensMatrix matrix;
  for (int i = 0; i < kLensSize; ++i) {
    for (int j = 0; j < kLensSize; ++j) {
      matrix(i, j) =
          number(rows[static_cast<std::size_t>(i)][static_cast<std::size_t>(j)], "covariance");
    }
  }
  return matrix;
}

/// As correlations, so that pixels and pure numbers compare.
void check_covariance(const LensMatrix& covariance) {
  constexpr double kRounding = 1e-6;
  if ((covariance.diagonal().array() < 0).any()) {
    throw Refusal{"\"covariance\" has a negative variance"};
  }
  const LensVector sigma = covariance.diagonal().cwiseSqrt();
  LensMatrix correlation = LensMatrix::Identity();
  for (int i = 0; i < kLensSize; ++i) {
    for (int j = 0; j < kLensSize; ++j) {
      const double scale = sigma[i] * sigma[j];
      if (i != j && scale > 0) correlation(i, j) = covariance(i, j) / scale;
      if (scale == 0 && covariance(i, j) != 0) {
        throw Refusal{"\"covariance\" couples a parameter that has no variance"};
      }
    }
  }
  if (!((correlation - correlation.transpose()).cwiseAbs().maxCoeff() <= kRounding)) {
    throw Refusal{"\"covariance\" is not symmetric"};
  }
  const Eigen::SelfAdjointEigenSolver<LensMatrix> solver(correlation, Eigen::EigenvaluesOnly);
  if (!(solver.eigenvalues()[0] >= -kRounding)) {
    throw Refusal{"\"covariance\" is not positive semidefinite"};
  }
}

void check_model(const Lens& lens) {
  const double w = lens.width_px, h = lens.height_px;
  const double longest = std::max(w, h);
  // From a fisheye to a long telephoto lens; beyond is a slip of the pen.
  if (lens.value[kF] < 0.1 * longest || lens.value[kF] > 100 * longest) {
    throw Refusal{"\"f_px\" does not fit the width"};
  }
  if (std::abs(lens.value[kCx] - w / 2) > w / 4 || std::abs(lens.value[kCy] - h / 2) > h / 4) {
    throw Refusal{"\"cx_px\", \"cy_px\" are far from the middle"};
  }
  for (const PointPx corner : {PointPx{0, 0}, {w, 0}, {w, h}, {0, h}}) {
    if (!undistort(lens.value, corner).allFinite()) {
      throw Refusal{"the distortion folds over inside the photo"};
    }
  }
}

Lens parse(const std::string& bytes) {
  const Json root = Json::parse(bytes, nullptr, false);
  if (!root.is_object()) throw Refusal{"it is not a JSON object"};
  if (text(root, "format") != kFormat) throw Refusal{"\"format\" is not \"panecard-lens\""};
  whole(root, "version", kVersion, kVersion);
  constexpr int kLongestSide_px = 32767;
  Lens lens;
  lens.make = text(root, "make");
  lens.model = text(root, "model");
  lens.width_px = whole(root, "width_px", 1, kLongestSide_px);
  lens.height_px = whole(root, "height_px", 1, kLongestSide_px);
  lens.orientation = whole(root, "orientation", 1, 8);
  lens.photos = whole(root, "photos", 0, 1000000);
  lens.rms_px = number(member(root, "rms_px"), "rms_px");
  if (lens.rms_px < 0) throw Refusal{"\"rms_px\" is negative"};
  lens.value = parameters(root);
  const LensMatrix raw = covariance_matrix(member(root, "covariance"));
  check_covariance(raw);
  lens.covariance = (raw + raw.transpose()) / 2;
  check_model(lens);
  lens.calibrated = true;
  return lens;
}

/// Sorted, so that the same folder gives the same lens everywhere.
std::vector<std::string> profiles_in(const std::string& folder) {
  constexpr std::size_t kMaxProfiles = 10000;
  std::vector<std::string> paths;
  std::error_code trouble;
  std::filesystem::directory_iterator entry(folder, trouble);
  const std::filesystem::directory_iterator end;
  for (; !trouble && entry != end && paths.size() < kMaxProfiles; entry.increment(trouble)) {
    if (entry->path().extension() == ".json") paths.push_back(entry->path().string());
  }
  std::sort(paths.begin(), paths.end());
  return paths;
}

bool focal_length_fits(const Lens& lens, const Exif& exif) {
  if (!exif.focal_35mm) return true;
  const Lens stated = lens_from_exif(exif, lens.width_px, lens.height_px);
  const double sigma = std::sqrt(stated.covariance(kF, kF) + lens.covariance(kF, kF));
  constexpr double kCoverage = 4;  // lets makers through that scale by width; zoom is a factor
  return std::abs(lens.value[kF] - stated.value[kF]) <= kCoverage * sigma;
}

}  // namespace

Result<Lens> read_lens(const std::string& path) {
  const Result<std::string> bytes = read_file(path, kMaxFileBytes);
  if (!bytes.ok()) return bytes.error();
  try {
    return parse(bytes.value());
  } catch (const Refusal& refusal) {
    return Error{Code::unreadable_file, "cannot read '" + path + "': it is not a lens profile: " +
                                            refusal.what + "; make one with `panecard lens`"};
  } catch (const nlohmann::json::exception&) {
    return Error{
        Code::unreadable_file,
        "cannot read '" + path + "': it is not a lens profile; make one with `panecard lens`"};
  }
}

std::string lens_to_json(const Lens& lens) {
  Json root;
  root["format"] = kFormat;
  root["version"] = kVersion;
  root["make"] = lens.make;
  root["model"] = lens.model;
  root["width_px"] = lens.width_px;
  root["height_px"] = lens.height_px;
  root["orientation"] = lens.orientation;
  root["photos"] = lens.photos;
  root["rms_px"] = lens.rms_px;
  for (int i = 0; i < kLensSize; ++i) root[kNames[static_cast<std::size_t>(i)]] = lens.value[i];
  Json rows = Json::array();
  for (int i = 0; i < kLensSize; ++i) {
    Json row = Json::array();
    for (int j = 0; j < kLensSize; ++j) row.push_back(lens.covariance(i, j));
    rows.push_back(row);
  }
  root["covariance"] = rows;
  return root.dump(1, ' ', true, Json::error_handler_t::replace) + "\n";
}

std::optional<Lens> find_lens(const Exif& exif, int width_px, int height_px,
                              const std::vector<std::string>& folders) {
  if (exif.model.empty()) return std::nullopt;
  for (const std::string& folder : folders) {
    for (const std::string& path : profiles_in(folder)) {
      const Result<Lens> profile = read_lens(path);
      if (!profile.ok() || profile->make != exif.make || profile->model != exif.model) continue;
      auto lens = adapt_profile(profile.value(), width_px, height_px, exif.orientation);
      if (lens && focal_length_fits(*lens, exif)) return lens;
    }
  }
  return std::nullopt;
}

}  // namespace panecard::photo
