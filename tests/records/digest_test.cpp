#include <doctest/doctest.h>

#include <string>
#include <utility>
#include <vector>

#include "records/records.h"

namespace panecard::records {

TEST_CASE("SHA-256 agrees with its published vectors") {
  // "abc", the empty message and the two-block message: NIST, Secure Hash Standard, examples; the
  // million of a: RFC 6234.
  const std::vector<std::pair<std::string, const char*>> fips180 = {
      {"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
      {"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
      {"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
       "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
      {std::string(1'000'000, 'a'),
       "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"}};
  for (const auto& [plain, digits] : fips180) CHECK(hex(sha256(plain)) == digits);
}

}  // namespace panecard::records
