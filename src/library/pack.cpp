#include "library/pack.h"

#include <zlib.h>

#include <array>

#include "library/coder.h"
#include "library/validate.h"
#include "records/records.h"

namespace panecard::library {
namespace {

constexpr unsigned char kVersion = 1;

/// What many result files share, so that none has to say it again. Part of the file format: a
/// change needs a new version.
constexpr std::string_view kCommonWords =
    R"("warnings":[{"code":"","text":"},{"kind":"card","id":-1,"corners_px":[["sheet","plain")"
    R"(,"seen_fraction":1.0,"diagonals_mm":[{"value":,"perimeter_mm":{"value":,"area_mm2":)"
    R"("face":{"bent_probability":0.0,"curvature_per_m":0.0,"curvature_u95_per_m":0.0,)"
    R"("weaker_curvature_per_m":0.0,"weaker_curvature_u95_per_m":0.0,"axis_from_level_deg":0.0},)"
    R"("photo":{"name":"photo.jpg","width_px":4032,"height_px":3024},"lens":"unknown lens",)"
    R"("quality":[{"name":"blur","value":,"unit":"px","long_u95_mm":,"remedy":"hold the phone still )"
    R"("},{"name":"noise","unit":"grey levels","remedy":"more light"},{"name":"clipped","unit":)"
    R"("advice":{"action":"add a card at the far end of the pane","sources":["text":"What would )"
    R"(help most: . At best the long side would then be ± mm instead of ± , the short side ± instead)"
    R"( of ± ."},{"name":"box, long side","u95_mm":,"parts_mm":{"bridge":0.0,"corner noise":0.,)"
    R"("lens":0.,"print scale":0.,"card size":0.,"card thickness":0.,"edge creep":0.,"bow":0.,)"
    R"("definition of the edge":0.,"choice of edge":0.,"fit":0.,"edge noise":0.}},{"name":"box, short)"
    R"( side","u95_mm":0.,"parts_mm":{"bridge":0.0,"corner noise":0.,"lens":0.,"print scale":0.,)"
    R"("card thickness":0.0,"edge creep":0.0,"bow":0.0,"definition of the edge":0.,"fit":0.,"edge )"
    R"(noise":0.}},{"kind":"line","name":"edge 1","first":0,"last":,"start":[,"end":[,"corner":false,)"
    R"("seen":true},{"kind":"arc","name":"corner A","first":,"last":,"start":[,"end":[,"centre":[,)"
    R"("radius_mm":,"sweep_deg":,"corner":true,"seen":true},{"kind":"bezier","control":[[)"
    R"("radius_mm":,"radius_u95_mm":0.,"sagitta_mm":,"sagitta_u95_mm":0.},{"name":"edge 2",)"
    R"("length_mm":,"length_u95_mm":0.,"seen":true,"radius_mm":,"radius_u95_mm":},{"name":"corner A",)"
    R"("radius_mm":,"radius_u95_mm":0.,"angle_deg":,"angle_u95_deg":0.,"seen":true},{)"
    R"({"format":"panecard-outline","version":1,"boundary":"glass","verdict":"The sides are good to )"
    R"( and mm, the outline to mm at half of its points and mm at the worst. Largest source: , % of)"
    R"( the long side's square.","box":{"long_mm":,"long_u95_mm":0.,"short_mm":,"short_u95_mm":0.,)"
    R"("centre_mm":[,"angle_deg":},"edges":[{"name":"edge 1",)";

unsigned char* bytes_of(std::string& s) { return reinterpret_cast<unsigned char*>(s.data()); }
const unsigned char* bytes_of(std::string_view s) {
  return reinterpret_cast<const unsigned char*>(s.data());
}

void put_size(std::string& out, std::size_t value) {
  for (; value >= 0x80; value >>= 7U) out.push_back(static_cast<char>(value | 0x80U));
  out.push_back(static_cast<char>(value));
}

/// The next section of a record; nothing when it is cut short.
std::optional<std::string_view> take_section(std::string_view& rest) {
  std::size_t size = 0;
  for (unsigned shift = 0;; shift += 7) {
    if (rest.empty() || shift > 28) return std::nullopt;
    const auto byte = static_cast<unsigned char>(rest[0]);
    rest.remove_prefix(1);
    size |= static_cast<std::size_t>(byte & 0x7FU) << shift;
    if ((byte & 0x80U) == 0) break;
  }
  if (size > rest.size()) return std::nullopt;
  const std::string_view section = rest.substr(0, size);
  rest.remove_prefix(size);
  return section;
}

/// Walks through a record, in one direction or the other. Hostile numbers only ever make good()
/// false: sums are kept within bounds.
template <typename Coder>
class Walk {
 public:
  explicit Walk(Coder& coder) : coder_(coder) {}
  bool good() const { return good_ && coder_.good(); }

  void number(NumberModel& model, std::int64_t& value) { model.code(coder_, value); }

  std::size_t count(std::size_t size, std::size_t most) {
    auto value = static_cast<std::int64_t>(size);
    model_count_.code(coder_, value);
    if (value < 0 || static_cast<std::size_t>(value) > most) {
      good_ = false;
      return 0;
    }
    return static_cast<std::size_t>(value);
  }

  void text(std::string& value) {
    value.resize(count(value.size(), kMostName));
    for (char& c : value) {
      std::int64_t code = static_cast<unsigned char>(c);
      model_text_.code(coder_, code);
      c = static_cast<char>(code);
    }
  }

  /// Each as what it adds to the line through the two before it.
  void run(std::vector<std::int64_t>& values, bool slopes) {
    NumberModel model;
    std::int64_t before = 0, slope = 0;
    for (std::int64_t& value : values) {
      std::int64_t rest = value - before - slope;
      number(model, rest);
      value = bounded(before + slope + rest);
      slope = slopes ? bounded(value - before) : 0;
      before = value;
    }
  }

  void points(std::vector<GridPoint>& points) {
    std::vector<std::int64_t> x(points.size()), y(points.size());
    for (std::size_t i = 0; i < points.size(); ++i) x[i] = points[i].x, y[i] = points[i].y;
    run(x, true), run(y, true);
    for (std::size_t i = 0; i < points.size(); ++i) points[i] = {x[i], y[i]};
  }

  std::int64_t bounded(std::int64_t value) {
    if (value > kMostSize || value < -kMostSize) {
      good_ = false;
      return 0;
    }
    return value;
  }

 private:
  Coder& coder_;
  NumberModel model_count_, model_text_;
  bool good_ = true;
};

template <typename Coder>
bool walk_outline(Coder& coder, std::vector<GridPoint>& outline) {
  Walk walk(coder);
  outline.resize(walk.count(outline.size(), kMostPoints));
  walk.points(outline);
  return walk.good();
}

template <typename Coder>
void walk_sources(Walk<Coder>& walk, Kept& kept) {
  NumberModel single, gaps;
  const std::size_t count = walk.count(kept.stations.size(), kept.outline.size());
  kept.stations.resize(count), kept.noise.resize(count);
  std::int64_t before = 0;
  for (std::int64_t& at : kept.stations) {
    std::int64_t gap = at - before;
    walk.number(gaps, gap);
    before = at = walk.bounded(before + gap);
  }
  walk.number(single, kept.alike);
  walk.number(single, kept.step);
  walk.run(kept.noise, false);
  kept.sources.resize(walk.count(kept.sources.size(), kMostSources));
  // Mostly zeros: a source that is local somewhere costs little elsewhere.
  for (std::size_t s = 0; s < kept.sources.size() && walk.good(); ++s) {
    KeptSource& source = kept.sources[s];
    std::int64_t again = s > 0 && source.name == kept.sources[s - 1].name ? 1 : 0;
    walk.number(single, again);
    if (again == 1 && s > 0) source.name = kept.sources[s - 1].name;
    if (again != 1) walk.text(source.name);
    source.outwards.resize(count), source.along.resize(count);
    walk.run(source.outwards, false), walk.run(source.along, false);
  }
}

/// What the plus-minus needs, then what it does not.
template <typename Coder>
bool walk_rest(Coder& coder, Kept& kept, bool all) {
  Walk walk(coder);
  const std::size_t n = kept.outline.size();
  NumberModel flags, seen;
  std::int64_t has_pixels = kept.pixels.empty() ? 0 : 1, known = kept.sources_known ? 1 : 0;
  walk.number(flags, has_pixels);
  walk.number(flags, known);
  kept.sources_known = known != 0;
  kept.u95.resize(n);
  walk.run(kept.u95, false);
  if (!all) return walk.good();
  kept.pixels.resize(has_pixels != 0 ? n : 0);
  walk.points(kept.pixels);
  kept.seen.resize(walk.count(kept.seen.size(), n));
  for (std::int64_t& flag : kept.seen) walk.number(seen, flag);
  if (kept.sources_known) walk_sources(walk, kept);
  return walk.good();
}

Error damaged(const std::string& how = "damaged") {
  return {Code::unreadable_file, "the record is " + how + "; go back to the last backup"};
}

/// What was unpacked, if it holds together.
std::optional<Error> refused(const Kept& kept, Part part) {
  const auto why = contradiction_in(kept, part);
  return why ? std::optional(damaged("no measurement, " + *why)) : std::nullopt;
}

/// What follows the version and the checksum, if both are right.
Result<std::string_view> body_of(std::string_view bytes) {
  constexpr std::size_t kHeader = 5;
  if (bytes.size() < kHeader) return damaged();
  if (static_cast<unsigned char>(bytes[0]) != kVersion) {
    return Error{Code::unreadable_file, "the record was written by a newer panecard; use that one"};
  }
  std::uint32_t told = 0;
  for (std::size_t i = 1; i < kHeader; ++i) {
    told = told << 8U | static_cast<unsigned char>(bytes[i]);
  }
  const std::string_view body = bytes.substr(kHeader);
  const auto sum = crc32(0, bytes_of(body), static_cast<unsigned>(body.size()));
  if (static_cast<std::uint32_t>(sum) != told) return damaged();
  return body;
}

}  // namespace

std::string deflated(std::string_view text) {
  z_stream stream{};
  constexpr int kRaw = -15, kMemory = 9;
  if (deflateInit2(&stream, Z_BEST_COMPRESSION, Z_DEFLATED, kRaw, kMemory, Z_DEFAULT_STRATEGY) !=
      Z_OK) {
    throw std::bad_alloc();
  }
  deflateSetDictionary(&stream, bytes_of(kCommonWords), static_cast<unsigned>(kCommonWords.size()));
  std::string out(deflateBound(&stream, text.size()), '\0');
  stream.next_in = const_cast<unsigned char*>(bytes_of(text));
  stream.avail_in = static_cast<unsigned>(text.size());
  stream.next_out = bytes_of(out);
  stream.avail_out = static_cast<unsigned>(out.size());
  deflate(&stream, Z_FINISH);
  out.resize(stream.total_out);
  deflateEnd(&stream);
  return out;
}

Result<std::string> inflated(std::string_view bytes, std::size_t most) {
  z_stream stream{};
  constexpr int kRaw = -15;
  if (inflateInit2(&stream, kRaw) != Z_OK) throw std::bad_alloc();
  inflateSetDictionary(&stream, bytes_of(kCommonWords), static_cast<unsigned>(kCommonWords.size()));
  stream.next_in = const_cast<unsigned char*>(bytes_of(bytes));
  stream.avail_in = static_cast<unsigned>(bytes.size());
  std::string out;
  int state = Z_OK;
  std::array<unsigned char, 16384> block{};
  while (state == Z_OK && out.size() <= most) {
    stream.next_out = block.data();
    stream.avail_out = static_cast<unsigned>(block.size());
    state = inflate(&stream, Z_NO_FLUSH);
    out.append(reinterpret_cast<const char*>(block.data()), block.size() - stream.avail_out);
  }
  inflateEnd(&stream);
  if (state != Z_STREAM_END || out.size() > most) return damaged();
  return out;
}

std::string pack(const Kept& kept) {
  Kept k = kept;  // the walk may write, but writes what it read
  BitWriter first, second;
  walk_outline(first, k.outline);
  walk_rest(second, k, true);
  std::string body;
  for (const std::string& section : {first.finish(), second.finish(), deflated(kept.head)}) {
    put_size(body, section.size());
    body += section;
  }
  const auto sum = static_cast<std::uint32_t>(
      crc32(0, bytes_of(std::string_view(body)), static_cast<unsigned>(body.size())));
  std::string out(1, static_cast<char>(kVersion));
  for (const unsigned shift : {24U, 16U, 8U, 0U}) {
    out.push_back(static_cast<char>(static_cast<unsigned char>(sum >> shift)));
  }
  return out + body;
}

Result<Kept> unpack(std::string_view bytes) {
  const auto body = body_of(bytes);
  if (!body.ok()) return body.error();
  std::string_view rest = body.value();
  const auto first = take_section(rest), second = take_section(rest), head = take_section(rest);
  if (!first || !second || !head || !rest.empty()) return damaged();
  Kept kept;
  BitReader outline(*first), others(*second);
  if (!walk_outline(outline, kept.outline) || !walk_rest(others, kept, true)) return damaged();
  auto text = inflated(*head, kMostHead);
  if (!text.ok()) return text.error();
  kept.head = std::move(text.value());
  if (auto why = refused(kept, Part::all)) return *why;
  return kept;
}

Result<std::string> unpack_piece(std::string_view bytes) {
  constexpr std::size_t kMostPiece = 64'000'000;
  auto text = inflated(bytes, kMostPiece);
  if (!text.ok()) return text;
  if (const auto why = records::json_trouble(text.value())) {
    return damaged("no JSON, " + *why);
  }
  const std::size_t first = text->find_first_not_of(" \t\r\n");
  if (first == std::string::npos || text->at(first) != '{') return damaged("no JSON object");
  return text;
}

Result<PolygonMm> unpack_outline(std::string_view bytes) {
  const auto body = body_of(bytes);
  if (!body.ok()) return body.error();
  std::string_view rest = body.value();
  const auto first = take_section(rest);
  if (!first) return damaged();
  Kept kept;
  BitReader outline(*first);
  if (!walk_outline(outline, kept.outline)) return damaged();
  if (auto why = refused(kept, Part::outline)) return *why;
  return outline_of(kept);
}

Result<check::Shape> unpack_outline_and_u95(std::string_view bytes) {
  const auto body = body_of(bytes);
  if (!body.ok()) return body.error();
  std::string_view rest = body.value();
  const auto first = take_section(rest), second = take_section(rest);
  if (!first || !second) return damaged();
  Kept kept;
  BitReader outline(*first), others(*second);
  if (!walk_outline(outline, kept.outline) || !walk_rest(others, kept, false)) return damaged();
  kept.sources_known = false;
  if (auto why = refused(kept, Part::outline_and_u95)) return *why;
  return shape_of(kept);
}

}  // namespace panecard::library
