#include <unistd.h>

#include <cstdio>

#include "app/app.h"

namespace panecard::app {

int exit_status(Code code) {
  constexpr int kNo = 1, kWrongInput = 2, kNotMeasurable = 3;
  switch (code) {
    case Code::does_not_fit:
      return kNo;
    case Code::bad_usage:
    case Code::unreadable_file:
    case Code::too_large:
    case Code::unwritable_file:
      return kWrongInput;
    case Code::card_not_found:
    case Code::card_cut_off:
    case Code::cards_disagree:
    case Code::too_blurred:
    case Code::plane_too_uncertain:
    case Code::boundary_not_seen:
    case Code::degenerate_shape:
    case Code::poses_too_alike:
    case Code::too_few_photos:
      return kNotMeasurable;
  }
  return kNotMeasurable;
}

void show_progress(const std::string& text) {
  if (::isatty(STDERR_FILENO) != 0) std::fprintf(stderr, "\r\x1b[K%s", text.c_str());
}

std::string one_line(std::string text) {
  for (char& c : text) {
    if (static_cast<unsigned char>(c) < ' ' || c == '\x7f') c = ' ';
  }
  while (!text.empty() && text.back() == ' ') text.pop_back();
  return text;
}

}  // namespace panecard::app
