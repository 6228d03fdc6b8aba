# FILES as bytes in a table of app/page/assets.h, in OUT.
set(arrays "")
set(rows "")
set(index 0)
foreach(file IN LISTS FILES)
  file(READ ${file} bytes HEX)
  string(LENGTH "${bytes}" digits)
  math(EXPR size "${digits} / 2")
  string(REGEX REPLACE "(..)" "0x\\1," bytes "${bytes}")
  get_filename_component(name ${file} NAME)
  get_filename_component(ending ${file} LAST_EXT)
  if(ending STREQUAL ".js")
    set(type "text/javascript; charset=utf-8")
  elseif(ending STREQUAL ".css")
    set(type "text/css; charset=utf-8")
  elseif(ending STREQUAL ".svg")
    set(type "image/svg+xml")
  else()
    set(type "text/html; charset=utf-8")
  endif()
  string(APPEND arrays "const unsigned char kFile${index}[] = {${bytes}};\n")
  string(APPEND rows "    {\"${name}\", {\"${type}\", {reinterpret_cast<const char*>(kFile${index}), ${size}}}},\n")
  math(EXPR index "${index} + 1")
endforeach()
file(WRITE ${OUT} "#include \"app/page/assets.h\"

#include <array>
#include <utility>

namespace panecard::app::page {
namespace {
${arrays}
const std::array<std::pair<std::string_view, Asset>, ${index}> kAssets = {{
${rows}}};
}  // namespace

const Asset* asset(std::string_view name) {
  for (const auto& [known, found] : kAssets) {
    if (known == name) return &found;
  }
  return nullptr;
}

}  // namespace panecard::app::page
")
