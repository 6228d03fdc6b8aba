// Several measurements of one pane, read and put together into one result.
#include <algorithm>
#include <nlohmann/json.hpp>

#include "library/pack.h"
#include "library/records.h"
#include "model/model.h"
#include "records/records.h"

namespace panecard::library {
namespace {

Result<fusion::Measured> loaded(Store& store, const MeasurementLine& line) {
  const auto record = measurement_record(store.db(), line.id);
  if (!record) return no_such(store, "measurement", line.id);
  const auto kept = unpack(*record);
  if (!kept.ok()) return in_place(store, "measurement", line.id, kept.error());
  const auto head = nlohmann::json::parse(kept->head);
  fusion::Measured out{line.id, shape_of(kept.value()), head.value("boundary", ""), line.lens, {}};
  const auto cards = head.find("cards");
  if (cards != head.end() && cards->is_array()) {
    for (const auto& card : *cards) {
      if (card.is_object() && card.contains("kind") && card.contains("id")) {
        out.cards.insert(card["kind"].dump() + card["id"].dump());
      }
    }
  }
  return out;
}

std::string result_of(const fusion::Combined& combined, const std::vector<fusion::Measured>& all) {
  model::Measurement m;
  m.boundary = all.front().boundary.empty() ? "glass" : all.front().boundary;
  m.outline = combined.outline;
  m.covariance = outline::at_outline_points(combined.contour, combined.outline);
  m.photo_name = "combined of " + std::to_string(all.size()) + " measurements";
  m.lens_text = all.front().lens;
  return records::to_json(m);
}

}  // namespace

Result<Combined> Library::combine(std::int64_t pane,
                                  const std::vector<std::int64_t>& without) const {
  const auto view = show(pane);
  if (!view.ok()) return view.error();
  for (const std::int64_t measurement : without) {
    const auto is = [&](const MeasurementLine& line) { return line.id == measurement; };
    if (std::none_of(view->measurements.begin(), view->measurements.end(), is)) {
      return no_such(*store_, "such measurement of the pane:", measurement);
    }
  }
  return store_->read([&]() -> Result<Combined> {
    std::vector<fusion::Measured> all;
    for (const MeasurementLine& line : view->measurements) {
      if (std::find(without.begin(), without.end(), line.id) != without.end()) continue;
      auto one = loaded(*store_, line);
      if (!one.ok()) return one.error();
      all.push_back(std::move(one.value()));
    }
    const auto combined = fusion::combine(all);
    if (!combined.ok()) return combined.error();
    Combined out{result_of(combined.value(), all),
                 {},
                 combined->tests,
                 combined->disagrees,
                 combined->median_u95_before_mm,
                 combined->median_u95_mm};
    for (const fusion::Measured& one : all) out.used.push_back(one.number);
    return out;
  });
}

}  // namespace panecard::library
