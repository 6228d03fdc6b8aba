#include <openssl/evp.h>

#include <stdexcept>

#include "records/records.h"
#include "report/report.h"

namespace panecard::records {

Sha256 sha256(std::string_view bytes) {
  Sha256 out{};
  if (EVP_Digest(bytes.data(), bytes.size(), out.data(), nullptr, EVP_sha256(), nullptr) != 1) {
    throw std::runtime_error("no SHA-256 in this OpenSSL");
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

}  // namespace panecard::records
