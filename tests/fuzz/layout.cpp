#include "fuzz/fuzz.h"
#include "records/records.h"

void panecard::fuzz::layout(std::string_view bytes) {
  const File file(bytes);
  const auto layout = records::read_layout(file.path());
  if (!layout.ok()) return;
  const File again(records::to_layout_json(layout.value()));
  promise(records::read_layout(again.path()).ok(), "what is written can be read");
}
