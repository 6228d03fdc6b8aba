#include <array>
#include <utility>

#include "report/report.h"

namespace panecard::report {
namespace {

/// The longer ones before what they hold.
constexpr std::array<std::pair<std::string_view, std::string_view>, 15> kWords = {{
    {" and give --bow (flat: 0mm@500mm)", ", and measure again with its bow"},
    {" (--bow)", ""},
    {" (--glass-thickness)", ""},
    {" with --near", " by hand"},
    {"; name it with --photo", ""},
    {"; --along says otherwise", ""},
    {" (--along upright)", ""},
    {"--near", "pointing at it by hand"},
    {"--bow", "its bow"},
    {"--plain", "the size of the card"},
    {"--glass-thickness", "the thickness of the glass"},
    {"--card-thickness", "the thickness of the card"},
    {"--seen-from", "the side it is seen from"},
    {"--boundary", "the boundary"},
    {"--limit", "more time"},
}};

void replace_all(std::string& text, std::string_view from, std::string_view to) {
  for (std::size_t at = 0; (at = text.find(from, at)) != std::string::npos; at += to.size()) {
    text.replace(at, from.size(), to);
  }
}

/// An option that nobody thought of loses its dashes at least.
void drop_dashes(std::string& text) {
  for (std::size_t at = 0; (at = text.find("--", at)) != std::string::npos;) {
    const bool starts = at == 0 || text[at - 1] == ' ' || text[at - 1] == '(';
    const bool word = at + 2 < text.size() && text[at + 2] >= 'a' && text[at + 2] <= 'z';
    if (starts && word) {
      text.erase(at, 2);
    } else {
      at += 2;
    }
  }
}

}  // namespace

std::string on_paper(std::string_view text, std::size_t most) {
  std::string out(text);
  for (const auto& [from, to] : kWords) replace_all(out, from, to);
  drop_dashes(out);
  return clean(out, most);
}

}  // namespace panecard::report
