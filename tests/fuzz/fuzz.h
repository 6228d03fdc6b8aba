// One function for each reader of foreign bytes: it feeds one input to the reader, and what is
// read to what would use it first. Bad input may be refused in any words; it must not crash, hang
// or break a promise of the reader's header, which `promise` states.
#pragma once

#include <string>
#include <string_view>

namespace panecard::fuzz {

void allowances(std::string_view bytes);
void exif(std::string_view bytes);
void folder(std::string_view bytes);
void layout(std::string_view bytes);
void lens(std::string_view bytes);
void manifest(std::string_view bytes);
void photo(std::string_view bytes);
void piece(std::string_view bytes);
void record(std::string_view bytes);
void request(std::string_view bytes);
void result(std::string_view bytes);
void stock(std::string_view bytes);

/// Ends the program where a reader breaks its promise, so that the fuzzer keeps the input.
void promise(bool kept, const char* what);

/// A file of these bytes, in memory and gone with this.
class File {
 public:
  explicit File(std::string_view bytes);
  File(const File&) = delete;
  File& operator=(const File&) = delete;
  ~File();
  std::string path() const;

 private:
  int fd_;
};

}  // namespace panecard::fuzz
