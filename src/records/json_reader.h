// Reads JSON from strangers: every refusal says what is wrong with which field.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/base.h"
#include "geom/geom.h"
#include "records/records.h"

namespace panecard::records::reader {

using Json = nlohmann::json;

/// Why a file is refused; never leaves read_json.
struct Refusal {
  std::string what;
};

/// The document of the one format and version that is asked for. Deep or crowded files are refused
/// while they are read, before they cost memory.
Json parsed(const std::string& bytes, const char* format, int version = 1);

std::string format_of(const std::string& bytes);  ///< by its own word; never empty

/// "line 3, column 14", counted in bytes, of the `byte`-th, counted from 1.
std::string line_and_column(const std::string& bytes, std::size_t byte);

const Json& member(const Json& object, const char* key);
const Json& list(const Json& object, const char* key, std::size_t least, std::size_t most);
double number(const Json& value, const char* key, double least, double most);
std::size_t index(const Json& value, const char* key, std::size_t count);  ///< below `count`
bool yes_or_no(const Json& object, const char* key);
std::string text(const Json& object, const char* key, std::size_t most);  ///< empty: not there
int whole(const Json& value, const char* key, int least, int most);
std::string boundary_in(const Json& root);
std::string along_in(const Json& object);  ///< film::FilmPiece::along
std::vector<ArcVertex> arcs(const Json& values, const char* key, double furthest);
std::vector<Finding> findings_in(const Json& root, const char* key);

template <typename Point>
std::vector<Point> pairs(const Json& values, const char* key, double furthest) {
  std::vector<Point> out;
  out.reserve(values.size());
  for (const Json& p : values) {
    if (!p.is_array() || p.size() != 2) {
      throw Refusal{std::string("\"") + key + "\" holds something other than pairs"};
    }
    out.push_back({number(p[0], key, -furthest, furthest), number(p[1], key, -furthest, furthest)});
  }
  return out;
}

/// What `read` makes of the bytes, or the sentence that `say` makes of why it could not.
template <typename T, typename Read, typename Say>
Result<T> read_json(const std::string& bytes, const Read& read, const Say& say) {
  std::string why;
  try {
    return read(bytes);
  } catch (const Refusal& refusal) {
    why = refusal.what;
  } catch (const nlohmann::json::parse_error& error) {
    why = line_and_column(bytes, error.byte) + ": this is where it stops being JSON";
  } catch (const nlohmann::json::exception&) {
    why = "it is not JSON from end to end: a number or a text in it is out of range";
  }
  return Error{Code::unreadable_file, say(why)};
}

}  // namespace panecard::records::reader
