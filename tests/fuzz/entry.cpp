// What libFuzzer calls; PANECARD_TARGET names one of the functions in fuzz.h.
#include <cstddef>
#include <cstdint>

#include "fuzz/fuzz.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* bytes, std::size_t size) {
  panecard::fuzz::PANECARD_TARGET({reinterpret_cast<const char*>(bytes), size});
  return 0;
}
