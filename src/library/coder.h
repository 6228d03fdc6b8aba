// Whole numbers as few bits: adaptive binary range coding (Martin 1979; the carry handling and the
// 11-bit adaptive probabilities are those of LZMA, public domain). One function that walks through
// a record serves writing and reading, so that the two cannot drift apart.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <string>
#include <string_view>

namespace panecard::library {

/// Chance of a zero bit, of 2048.
using Chance = std::uint16_t;

class BitWriter {
 public:
  static constexpr bool kReads = false;
  void bit(Chance& chance, unsigned& value);
  void plain(unsigned& value);  ///< a bit that no model helps with
  std::string finish();
  bool good() const { return true; }

 private:
  void shift_low();
  std::uint64_t low_ = 0, pending_ = 1;
  std::uint32_t range_ = 0xFFFFFFFFU;
  std::uint8_t cache_ = 0;
  std::string bytes_;
};

/// Reads on as zeros behind the end; good() tells.
class BitReader {
 public:
  static constexpr bool kReads = true;
  explicit BitReader(std::string_view bytes);
  void bit(Chance& chance, unsigned& value);
  void plain(unsigned& value);
  bool good() const { return behind_ == 0; }

 private:
  std::uint32_t next();
  void refill();
  std::string_view bytes_;
  std::size_t at_ = 0, behind_ = 0;
  std::uint32_t range_ = 0xFFFFFFFFU, code_ = 0;
};

/// One kind of whole number below 2^31 in size: zero or not, sign, how many binary digits, digits;
/// each as likely as it was so far among numbers that followed one of like size.
class NumberModel {
 public:
  NumberModel() {
    for (auto& context : contexts_) context.fill(kEven);
  }

  template <typename Coder>
  void code(Coder& coder, std::int64_t& value) {
    std::array<Chance, kChances>& chances = contexts_[last_];
    const bool negative_in = value < 0;
    const auto size_in = static_cast<std::uint64_t>(negative_in ? -value : value);
    unsigned digits = 0;
    if constexpr (!Coder::kReads) {
      while (digits < kMostDigits && (size_in >> digits) != 0) ++digits;
    }
    unsigned coded = 0;  // the count of digits in unary
    for (;; ++coded) {
      unsigned more = coded < digits ? 1 : 0;
      if (coded == kMostDigits) break;
      coder.bit(chances[coded], more);
      if (more == 0) break;
    }
    digits = coded;
    last_ = digits < kContexts ? digits : kContexts - 1;
    if (digits == 0) {
      value = 0;
      return;
    }
    unsigned negative = negative_in ? 1 : 0;
    coder.bit(chances[kSign], negative);
    std::uint64_t size = 1;
    for (unsigned place = digits - 1; place-- > 0;) {
      unsigned digit = static_cast<unsigned>(size_in >> place) & 1U;
      if (place + 2 == digits) {
        coder.bit(chances[kSecond + digits], digit);
      } else {
        coder.plain(digit);
      }
      size = size << 1U | digit;
    }
    value = negative != 0 ? -static_cast<std::int64_t>(size) : static_cast<std::int64_t>(size);
  }

 private:
  static constexpr unsigned kMostDigits = 31, kContexts = 6;
  static constexpr std::size_t kSign = kMostDigits, kSecond = kSign + 1;
  static constexpr std::size_t kChances = kSecond + kMostDigits + 1;
  static constexpr Chance kEven = 1024;
  std::array<std::array<Chance, kChances>, kContexts> contexts_{};
  unsigned last_ = 0;
};

}  // namespace panecard::library
