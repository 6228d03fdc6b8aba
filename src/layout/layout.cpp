#include "layout/layout.h"

#include "layout/prepare.h"
#include "layout/search.h"

namespace panecard::layout {
namespace {

// Film is cut to a tenth of a millimetre; this is for rounding alone.
double rounding_mm(const Strip& strip) { return 1e-6 * strip.width_mm; }

}  // namespace

Result<Layout> pack(const std::vector<Item>& items, const Strip& strip, const Effort& effort) {
  const auto prepared = prepare(items, strip);
  if (!prepared.ok()) return prepared.error();
  const Problem& problem = prepared->problem;
  const State rows = row_layout(problem);
  const auto checked = [&](const State& state) -> std::optional<Layout> {
    Layout layout = layout_of(prepared.value(), state);
    if (!violations(items, strip, layout, rounding_mm(strip)).empty()) return std::nullopt;
    return layout;
  };
  Budget budget;
  budget.seed = effort.seed, budget.moves = effort.moves, budget.spent = effort.spent;
  // A layout that the independent check rejects is neither reported nor searched further.
  budget.accept = [&](const State& state) {
    const auto layout = checked(state);
    if (layout && effort.shorter) effort.shorter(*layout);
    return layout.has_value();
  };
  budget.accept(rows);
  NoFitCache nfp_cache(problem);
  const State found = search(problem, nfp_cache, rows, budget);
  if (auto layout = checked(found)) return *layout;
  return Error{Code::degenerate_shape,
               "the pieces could not be laid out without overlap; simplify their outlines"};
}

}  // namespace panecard::layout
