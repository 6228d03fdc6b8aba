// The library as the page shows it, and the files made from its patterns.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/base.h"

namespace panecard::app::page {

/// Bytes for the browser.
struct Reply {
  std::string type = "application/json", bytes;
  std::string file_name;  ///< to be saved under; empty: to be shown
};

/// What a film piece shall be: the name of ready-made allowances or none.
struct PieceAsked {
  std::string set;
  bool mirror = false;
};

/// What a layout on film shall be.
struct RollAsked {
  std::vector<std::int64_t> panes;
  std::string width;
  PieceAsked piece;
  bool twins = false;
};

class Shelf {
 public:
  /// @param library  the library's file; made when the first pane is saved
  /// @param work  a private folder for files on their way
  Shelf(std::string library, std::string work)
      : library_(std::move(library)), work_(std::move(work)) {}

  Result<Reply> search(const std::string& text) const;
  Result<Reply> pane(std::int64_t pane) const;
  Result<Reply> picture(std::int64_t pane) const;
  /// Outlines, laid on each other, and what is said of them.
  Result<Reply> compare(std::int64_t first, std::int64_t second, bool mirrored) const;
  static Result<Reply> sets();
  /// @param kind  "result.json", "piece.json", "piece.svg", "piece.dxf", "piece.plt", "piece.pdf",
  /// "drawing.pdf", "job.pdf"
  Result<Reply> file(std::int64_t pane, const std::string& kind, const PieceAsked& asked) const;
  /// @param kind  "roll.pdf", "roll.svg", "roll.dxf", "roll.plt", "roll-drawing.pdf", "job.pdf"
  Result<Reply> roll(const std::string& kind, const RollAsked& asked) const;

  /// Puts a measured draft into the library: all of it or nothing.
  Result<Reply> save(const nlohmann::json& words, const std::string& result_json,
                     const std::vector<std::pair<std::string, std::string>>& photos,
                     const std::string& small_jpeg) const;
  /// Makes this measurement the pane's pattern.
  Result<Reply> put_in_force(std::int64_t pane, std::int64_t measurement) const;
  /// Makes an earlier revision the pane's newest.
  Result<Reply> restore(std::int64_t pane, std::int64_t revision) const;

 private:
  std::string library_, work_;
};

}  // namespace panecard::app::page
