#include "library/coder.h"

#include <utility>

namespace panecard::library {
namespace {

constexpr unsigned kChanceBits = 11, kSpeed = 4;
constexpr std::uint32_t kLeastRange = 1U << 24U;

void learn(Chance& chance, bool one) {
  const unsigned whole = 1U << kChanceBits;
  chance = static_cast<Chance>(one ? chance - (chance >> kSpeed)
                                   : chance + ((whole - chance) >> kSpeed));
}

}  // namespace

void BitWriter::shift_low() {
  if (low_ < 0xFF000000U || low_ > 0xFFFFFFFFU) {
    const auto carry = static_cast<std::uint8_t>(low_ >> 32U);
    std::uint8_t byte = cache_;
    for (; pending_ > 0; --pending_) {
      bytes_.push_back(static_cast<char>(static_cast<std::uint8_t>(byte + carry)));
      byte = 0xFF;
    }
    cache_ = static_cast<std::uint8_t>(low_ >> 24U);
  }
  ++pending_;
  low_ = (low_ & 0x00FFFFFFU) << 8U;
}

void BitWriter::bit(Chance& chance, unsigned& value) {
  const std::uint32_t bound = (range_ >> kChanceBits) * chance;
  if (value == 0) {
    range_ = bound;
  } else {
    low_ += bound;
    range_ -= bound;
  }
  learn(chance, value != 0);
  for (; range_ < kLeastRange; range_ <<= 8U) shift_low();
}

void BitWriter::plain(unsigned& value) {
  range_ >>= 1U;
  if (value != 0) low_ += range_;
  for (; range_ < kLeastRange; range_ <<= 8U) shift_low();
}

std::string BitWriter::finish() {
  constexpr int kFlush = 5;
  for (int i = 0; i < kFlush; ++i) shift_low();
  bytes_.erase(0, 1);  // the first byte is always the empty cache
  return std::move(bytes_);
}

BitReader::BitReader(std::string_view bytes) : bytes_(bytes) {
  constexpr int kStart = 4;
  for (int i = 0; i < kStart; ++i) code_ = code_ << 8U | next();
}

std::uint32_t BitReader::next() {
  if (at_ < bytes_.size()) return static_cast<std::uint8_t>(bytes_[at_++]);
  ++behind_;
  return 0;
}

void BitReader::refill() {
  for (; range_ < kLeastRange; range_ <<= 8U) code_ = code_ << 8U | next();
}

void BitReader::bit(Chance& chance, unsigned& value) {
  const std::uint32_t bound = (range_ >> kChanceBits) * chance;
  value = code_ < bound ? 0 : 1;
  if (value == 0) {
    range_ = bound;
  } else {
    code_ -= bound;
    range_ -= bound;
  }
  learn(chance, value != 0);
  refill();
}

void BitReader::plain(unsigned& value) {
  range_ >>= 1U;
  value = code_ >= range_ ? 1 : 0;
  if (value != 0) code_ -= range_;
  refill();
}

}  // namespace panecard::library
