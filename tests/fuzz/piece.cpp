#include "fuzz/fuzz.h"
#include "records/records.h"

void panecard::fuzz::piece(std::string_view bytes) {
  const File file(bytes);
  const auto piece = records::read_piece(file.path());
  if (!piece.ok()) return;
  const File again(records::to_piece_json(piece.value()));
  promise(records::read_piece(again.path()).ok(), "what is written can be read");
}
