// A bounded number of warm workers, one per draft that is being worked on.
#pragma once

#include <atomic>
#include <chrono>
#include <condition_variable>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>

#include "app/apart.h"

namespace panecard::app::page {

class Workers {
 public:
  /// @param most  kept warm; the one idle longest goes first
  /// @param at_once  at work at the same time; the others wait
  Workers(std::size_t most, std::size_t at_once) : most_(most), free_(at_once) {}

  using Progress = std::function<void(const nlohmann::json&)>;

  /// The worker's answer: "view", or "error" with its "code". Whatever happens to the worker, there
  /// is one.
  nlohmann::json ask(const std::string& draft, const nlohmann::json& request,
                     const Progress& progress);
  void forget(const std::string& draft);
  /// Ends those that had nothing to do for so long.
  void end_idle(std::chrono::seconds longer_than);
  /// Starting a process takes long enough to be felt: one is kept that has no draft yet.
  void keep_ready();
  /// Those at work end soon as well, and whoever waits for them hears that.
  void end_all();

 private:
  using Clock = std::chrono::steady_clock;
  struct Seat {
    std::mutex busy;
    std::optional<Apart> child;
    Clock::time_point used = Clock::now();
  };
  class Turn;
  std::shared_ptr<Seat> seat_of(const std::string& draft);
  Result<Apart> ready_one();

  std::size_t most_, free_;
  std::atomic<bool> ending_{false};
  std::mutex mutex_;
  std::condition_variable freed_;
  std::map<std::string, std::shared_ptr<Seat>> seats_;
  std::optional<Apart> spare_;
};

}  // namespace panecard::app::page
