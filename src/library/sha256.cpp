#include <bit>

#include "library/library.h"

namespace panecard::library {
namespace {

using Block = std::array<std::uint32_t, 16>;
using State = std::array<std::uint32_t, 8>;

/// FIPS 180-4, 4.2.2: fractions of the cube roots of the first 64 primes.
constexpr std::array<std::uint32_t, 64> kRound = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5,
    0xd807aa98, 0x12835b01, 0x243185be, 0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174,
    0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa, 0x5cb0a9dc, 0x76f988da,
    0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967,
    0x27b70a85, 0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85,
    0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3, 0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070,
    0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f, 0x682e6ff3,
    0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2};

/// FIPS 180-4, 6.2.2
void add_block(const Block& block, State& state) {
  std::array<std::uint32_t, 64> w{};
  for (std::size_t t = 0; t < block.size(); ++t) w[t] = block[t];
  for (std::size_t t = block.size(); t < w.size(); ++t) {
    const std::uint32_t a = w[t - 15], b = w[t - 2];
    w[t] = w[t - 16] + w[t - 7] + (std::rotr(a, 7) ^ std::rotr(a, 18) ^ (a >> 3U)) +
           (std::rotr(b, 17) ^ std::rotr(b, 19) ^ (b >> 10U));
  }
  State s = state;
  for (std::size_t t = 0; t < w.size(); ++t) {
    const std::uint32_t e = s[4], a = s[0];
    const std::uint32_t first = s[7] + (std::rotr(e, 6) ^ std::rotr(e, 11) ^ std::rotr(e, 25)) +
                                ((e & s[5]) ^ (~e & s[6])) + kRound[t] + w[t];
    const std::uint32_t second = (std::rotr(a, 2) ^ std::rotr(a, 13) ^ std::rotr(a, 22)) +
                                 ((a & s[1]) ^ (a & s[2]) ^ (s[1] & s[2]));
    for (std::size_t k = s.size() - 1; k > 0; --k) s[k] = s[k - 1];
    s[4] += first;
    s[0] = first + second;
  }
  for (std::size_t k = 0; k < s.size(); ++k) state[k] += s[k];
}

}  // namespace

Sha256 sha256(const std::string& bytes) {
  State state = {0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a,
                 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19};
  constexpr std::size_t kBlock = 64;
  const std::uint64_t bits = 8 * static_cast<std::uint64_t>(bytes.size());
  // The message, a one, zeros, and its length in bits as 8 bytes (5.1.1).
  const std::size_t whole = (bytes.size() + 8) / kBlock * kBlock + kBlock;
  const auto byte_at = [&](std::size_t i) -> std::uint32_t {
    if (i < bytes.size()) return static_cast<std::uint8_t>(bytes[i]);
    if (i == bytes.size()) return 0x80;
    return i + 8 >= whole ? static_cast<std::uint8_t>(bits >> (8 * (whole - 1 - i))) : 0;
  };
  for (std::size_t start = 0; start < whole; start += kBlock) {
    Block block{};
    for (std::size_t k = 0; k < kBlock; ++k) {
      block[k / 4] |= byte_at(start + k) << (24 - 8 * (k % 4));
    }
    add_block(block, state);
  }
  Sha256 out{};
  for (std::size_t k = 0; k < out.size(); ++k) {
    out[k] = static_cast<std::uint8_t>(state[k / 4] >> (24 - 8 * (k % 4)));
  }
  return out;
}

std::string hex(const Sha256& hash) {
  constexpr const char* kDigits = "0123456789abcdef";
  std::string out;
  for (const std::uint8_t byte : hash) {
    out.push_back(kDigits[byte >> 4U]);
    out.push_back(kDigits[byte & 15U]);
  }
  return out;
}

}  // namespace panecard::library
