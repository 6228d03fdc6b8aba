#include "trace/closed_path.h"

#include <doctest/doctest.h>

#include <array>
#include <functional>
#include <limits>
#include <numeric>
#include <random>

namespace panecard::trace {
namespace {

constexpr int kMaxMove = 2;
constexpr std::array kStraightOnFirst{0, -1, 1, -2, 2};

// A small ring with whole numbers, which every type of sum holds exactly, and so few of them that
// many paths are equally good.
struct Problem {
  int rows, places, move_cost;
  std::vector<int> gain;        // row by row
  std::vector<int> extra_cost;  // of a move to a place: row by row, place by place, -2 to 2

  Problem(std::mt19937& random, int rows_, int places_)
      : rows(rows_), places(places_), move_cost(static_cast<int>(random() % 3)) {
    for (int i = 0; i < rows * places; ++i) gain.push_back(static_cast<int>(random() % 6));
    for (std::size_t i = 0; i < 5 * gain.size(); ++i) {
      extra_cost.push_back(static_cast<int>(random() % 3));
    }
  }

  int gain_of(int row, int place) const { return gain[row * places + place]; }
  int cost_of(int row, int place, int move) const {
    return move_cost * std::abs(move) + extra_cost[(row * places + place) * 5 + move + kMaxMove];
  }
};

// Every path from a row on, of so many rows, and what it gains less what its moves cost; none has a
// move of more than kMaxMove.
void all_paths(const Problem& p, int rows, std::vector<int>& path, int total,
               const std::function<void(const std::vector<int>&, int)>& take) {
  const int step = static_cast<int>(path.size());
  if (step == rows) return take(path, total);
  const int row = step % p.rows;
  for (int place = 0; place < p.places; ++place) {
    const int move = step > 0 ? place - path.back() : 0;
    if (std::abs(move) > kMaxMove) continue;
    const int cost = step > 0 ? p.cost_of(row, place, move) : 0;
    path.push_back(place);
    all_paths(p, rows, path, total + p.gain_of(row, place) - cost, take);
    path.pop_back();
  }
}

// The most that a path along a line of rows gains.
int best_along(const Problem& p, int steps) {
  int best = std::numeric_limits<int>::min();
  std::vector<int> path;
  all_paths(p, steps, path, 0,
            [&](const std::vector<int>&, int total) { best = std::max(best, total); });
  return best;
}

// The most that a closed path gains which is at `place` on the first row.
int best_closed(const Problem& p, int place) {
  int best = std::numeric_limits<int>::min();
  std::vector<int> path;
  all_paths(p, p.rows, path, 0, [&](const std::vector<int>& open, int total) {
    const int move = open.front() - open.back();
    if (open.front() != place || std::abs(move) > kMaxMove) return;
    best = std::max(best, total - p.cost_of(0, place, move));
  });
  return best;
}

int total_of(const Problem& p, const std::vector<int>& place_of_row, bool closed) {
  int total = 0;
  for (std::size_t i = 0; i < place_of_row.size(); ++i) {
    const int row = static_cast<int>(i) % p.rows, place = place_of_row[i];
    total += p.gain_of(row, place);
    if (i == 0 && !closed) continue;
    const int move = place - (i == 0 ? place_of_row.back() : place_of_row[i - 1]);
    REQUIRE(std::abs(move) <= kMaxMove);
    total -= p.cost_of(row, place, move);
  }
  return total;
}

// The problem told to the search, as gains to be great or as losses to be small.
template <typename Sum>
struct Told {
  const Problem& p;
  Unrolled line;
  Sum sign;

  PathSums<Sum> sums() const {
    const int worst = std::is_same_v<Sum, short> ? -16000 : -1000000;
    return {line.steps, p.places, kMaxMove, 0, static_cast<Sum>(sign * static_cast<Sum>(worst))};
  }
  Sum along(const Sum* from, int step, int place, int move) const {
    // The first step has nothing to move from.
    const int cost = step == 0 ? (move == 0 ? 0 : 1) : p.cost_of(line.row(step), place, move);
    return static_cast<Sum>(from[place - move] - sign * static_cast<Sum>(cost));
  }
  bool better(Sum a, Sum b) const { return sign * a > sign * b; }
  void on(const Sum* from, int step, Sum* to) const {
    for (int place = 0; place < p.places; ++place) {
      Sum best = along(from, step, place, 0);
      for (const int move : kStraightOnFirst) {
        const Sum other = along(from, step, place, move);
        if (better(other, best)) best = other;
      }
      to[place] =
          static_cast<Sum>(best + sign * static_cast<Sum>(p.gain_of(line.row(step), place)));
    }
  }
  int before(const Sum* from, int step, int place) const {
    int best = 0;
    for (const int move : kStraightOnFirst) {
      if (better(along(from, step, place, move), along(from, step, place, best))) best = move;
    }
    return place - best;
  }
};

template <typename Sum>
std::vector<int> path_along(const Told<Sum>& told, PathSums<Sum>& sums) {
  sum_up(sums, [&](const Sum* from, int step, Sum* to) { told.on(from, step, to); });
  const Sum* last = sums.last();
  const auto best =
      std::min_element(last, last + sums.places(), [&](Sum a, Sum b) { return told.better(a, b); });
  return trace_back(sums, static_cast<int>(best - last), [&](const Sum* from, int step, int place) {
    return told.before(from, step, place);
  });
}

TEST_CASE_TEMPLATE("sum_up, trace_back: the best of all paths along a line", Sum, short, float,
                   double) {
  std::mt19937 random(1);
  int cases = 0;
  for (int i = 0; i < 60; ++i) {
    const Problem p(random, 2 + i % 4, 1 + i % 4);
    const Unrolled line{p.rows, 1 + i % 7, 0};
    for (const int sign : {1, -1}) {
      const Told<Sum> told{p, line, static_cast<Sum>(sign)};
      PathSums<Sum> sums = told.sums();
      const std::vector<int> path = path_along(told, sums);
      const int best = best_along(p, line.steps);
      CAPTURE(i);
      CAPTURE(sign);
      REQUIRE(static_cast<int>(path.size()) == line.steps);
      CHECK(total_of(p, path, false) == best);
      CHECK(sums.last()[path.back()] == sign * best);
      ++cases;
    }
  }
  CHECK(cases == 120);
}

TEST_CASE("closed_path: where it closes, no closed path through the same place is better") {
  std::mt19937 random(2);
  int closing = 0;
  for (int i = 0; i < 300; ++i) {
    const Problem p(random, 3 + i % 5, 2 + i % 3);
    const Told<float> told{p, three_turns(p.rows), i % 2 == 0 ? 1.0F : -1.0F};
    PathSums<float> sums = told.sums();
    const std::vector<int> path = closed_path(
        told.line, sums, [&](const float* from, int step, float* to) { told.on(from, step, to); },
        [&](const float* from, int step, int place) { return told.before(from, step, place); },
        [&](float a, float b) { return told.better(a, b); });
    const std::vector<int> along = path_along(told, sums);
    CAPTURE(i);
    CHECK(path == std::vector<int>(along.begin() + p.rows, along.begin() + 2 * p.rows));
    // The same place a turn later: what lies between is closed.
    if (along[p.rows] != along[2 * p.rows]) continue;
    ++closing;
    CHECK(total_of(p, path, true) == best_closed(p, path.front()));
  }
  CHECK(closing > 200);
}

TEST_CASE("closed_path: follows what is clear, wherever the ring is cut open") {
  constexpr int kRows = 80, kPlaces = 12;
  std::mt19937 random(3);
  std::vector<float> noise(kRows * kPlaces);
  for (float& x : noise) x = static_cast<float>(random() % 1000) / 1000;
  const auto clear = [](int row) {
    return 6 + static_cast<int>(std::lround(4 * std::sin(row * 2 * M_PI / kRows)));
  };
  const Unrolled line = turn_and_a_quarter(kRows);
  for (int cut = 0; cut < kRows; cut += 7) {
    PathSums<float> sums(line.steps, kPlaces, kMaxMove, 0, -1e9F);
    const std::vector<int> path = closed_path(
        line, sums,
        [&](const float* from, int step, float* to) {
          const int row = (line.row(step) + cut) % kRows;
          best_moves(from, kPlaces, kMaxMove, 0.2F, to);
          for (int c = 0; c < kPlaces; ++c) {
            to[c] += noise[row * kPlaces + c] + (c == clear(row) ? 2.0F : 0.0F);
          }
        },
        [](const float* from, int, int c) {
          return c + best_move(from + c, kStraightOnFirst, 0.2F);
        },
        std::greater<>());
    CAPTURE(cut);
    REQUIRE(static_cast<int>(path.size()) == kRows);
    for (int i = 0; i < kRows; ++i) CHECK(path[i] == clear((i + cut) % kRows));
  }
}

TEST_CASE("kept: a turn away from both ends, by row") {
  struct Case {
    Unrolled line;
    std::vector<int> wanted;  // the number of the step that each row is taken from
  };
  // By hand: a quarter of 8 rows is 2, an eighth is 1.
  const std::array cases{Case{turn_and_a_quarter(8), {8, 1, 2, 3, 4, 5, 6, 7}},
                         Case{turn_and_a_quarter(3), {0, 1, 2}}, Case{turn_and_a_quarter(1), {0}},
                         Case{three_turns(3), {3, 4, 5}}, Case{three_turns(1), {1}}};
  for (const Case& c : cases) {
    std::vector<int> steps(c.line.steps);
    std::iota(steps.begin(), steps.end(), 0);
    CHECK(kept(c.line, steps) == c.wanted);
  }
}

TEST_CASE_TEMPLATE("best_moves, best_move: the best of all moves, the first of equal ones", Sum,
                   short, float, double) {
  std::mt19937 random(4);
  int places = 0;
  for (int count = 1; count <= 70; count += 3) {
    const Sum cost = static_cast<Sum>(random() % 3);
    PathSums<Sum> sums(2, count, kMaxMove, 0, -16000);
    Sum* from = sums.at(0);
    for (int c = 0; c < count; ++c) from[c] = static_cast<Sum>(random() % 8);
    best_moves(from, count, kMaxMove, cost, sums.at(1));
    for (int c = 0; c < count; ++c) {
      const auto after = [&](int move) {
        return from[c + move] - cost * static_cast<Sum>(std::abs(move));
      };
      int best = kStraightOnFirst[0];
      for (const int move : kStraightOnFirst) best = after(move) > after(best) ? move : best;
      CHECK(sums.at(1)[c] == after(best));
      CHECK(best_move(from + c, kStraightOnFirst, cost) == best);
      ++places;
    }
  }
  CHECK(places > 700);
}

}  // namespace
}  // namespace panecard::trace
