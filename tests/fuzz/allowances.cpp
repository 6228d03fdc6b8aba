#include "fuzz/fuzz.h"
#include "pattern/pattern.h"

void panecard::fuzz::allowances(std::string_view bytes) {
  const File file(bytes);
  (void)pattern::read_allowances(file.path());
}
