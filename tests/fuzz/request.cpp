// What the page says about a draft.
#include "app/page/asked.h"
#include "fuzz/fuzz.h"

void panecard::fuzz::request(std::string_view bytes) {
  (void)app::page::checked_draft(std::string(bytes));
}
