// A batch's table, beside a folder without photos.
#include "app/batch_list.h"
#include "fuzz/fuzz.h"

void panecard::fuzz::manifest(std::string_view bytes) {
  const File table(bytes);
  (void)app::list_batch(PANECARD_EXPORT, table.path(), {});
}
