// What is searched by: derived from the records, kept with them, made again when it is missing.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "fusion/fusion.h"
#include "library/store.h"

namespace panecard::library {

/// Brings what is searched by up to the pane's newest revision.
void index_pane(SQLite::Database& db, std::int64_t pane);
void index_vehicle(SQLite::Database& db, std::int64_t vehicle);  ///< every pane of it
void index_all(SQLite::Database& db);

/// What is not as index_pane would leave it.
std::optional<std::string> index_trouble(SQLite::Database& db, std::int64_t pane);

std::string packed(const fusion::Moments& moments);
/// Zeros when the bytes are not what packed() makes.
fusion::Moments unpacked_moments(std::string_view bytes);

}  // namespace panecard::library
