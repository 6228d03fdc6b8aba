// A measurement's record in a library. The fuzzer makes what follows the version and the checksum;
// a right checksum is put before it, as whoever crafts a record would.
#include <zlib.h>

#include "fuzz/fuzz.h"
#include "library/pack.h"

namespace {

std::string with_head(std::string_view body) {
  const auto sum = static_cast<std::uint32_t>(crc32(
      0, reinterpret_cast<const unsigned char*>(body.data()), static_cast<unsigned>(body.size())));
  std::string out(1, '\1');
  for (const unsigned shift : {24U, 16U, 8U, 0U}) out.push_back(static_cast<char>(sum >> shift));
  return out.append(body);
}

}  // namespace

void panecard::fuzz::record(std::string_view bytes) {
  const std::string record = with_head(bytes);
  const auto outline = library::unpack_outline(record);
  const auto shape = library::unpack_outline_and_u95(record);
  const auto kept = library::unpack(record);
  (void)library::unpack_piece(bytes);
  if (shape.ok()) promise(outline.ok(), "an outline is read as part of more and alone");
  if (!kept.ok()) return;
  promise(shape.ok(), "a plus-minus is read as part of more and alone");
  const auto again = library::unpack(library::pack(kept.value()));
  promise(again.ok() && again.value() == kept.value(), "what is packed comes back");
  (void)library::shape_of(kept.value());
  // A crafted outline may cross itself or stand still, which a result file may not.
  const auto as_file = library::keep(library::to_result_json(kept.value()), "record");
  if (as_file.ok()) promise(as_file->outline == kept->outline, "as a file it is the same outline");
}
