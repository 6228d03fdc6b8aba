// A stock file, and the same once a metre of each of its films is gone.
#include "fuzz/fuzz.h"
#include "records/records.h"

void panecard::fuzz::stock(std::string_view bytes) {
  const File file(bytes);
  const auto stock = records::read_stock(file.path());
  if (!stock.ok()) return;
  std::vector<film::Taken> taken;
  for (std::size_t k = 0; k < stock->films.size(); ++k) {
    taken.push_back(
        {k, std::min(1000.0, stock->films[k].length_mm), {{{}, 300, 200}, {{}, 300, 4}}});
  }
  const auto after = records::stock_after(stock.value(), taken, 150);
  if (!after.ok()) return;
  const File again(after.value());
  promise(records::read_stock(again.path()).ok(), "what is left is a stock file");
}
