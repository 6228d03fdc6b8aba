#include "app/page/workers.h"

#include <nlohmann/json.hpp>
#include <optional>
#include <vector>

#include "app/page/worker.h"

namespace panecard::app::page {
namespace {

using nlohmann::json;

constexpr int kMost_ms = 60'000;  // a 200-megapixel photo takes a tenth of it on two slow cores

/// Nothing: it did not answer in time, or died over it.
std::optional<json> converse(Apart& child, const json& request, const Workers::Progress& progress,
                             const std::atomic<bool>& ending) {
  constexpr int kGlance_ms = 200;
  const auto until = std::chrono::steady_clock::now() + std::chrono::milliseconds(kMost_ms);
  if (!child.say(request.dump(-1, ' ', false, json::error_handler_t::replace))) return {};
  while (std::chrono::steady_clock::now() < until) {
    const auto line = child.hear(kGlance_ms);
    if (!line) {
      if (child.closed() || ending) return {};
      continue;
    }
    json heard = json::parse(*line, nullptr, false);
    if (!heard.is_object()) return {};
    if (!heard.contains("progress")) return heard;
    progress(heard["progress"]);
  }
  return {};
}

Result<Apart> new_worker() {
  constexpr Bounds kBounds{1200, 1792};
  return Apart::start({kWorkerCommand}, Apart::Heard::output, kBounds);
}

}  // namespace

std::shared_ptr<Workers::Seat> Workers::seat_of(const std::string& draft) {
  std::vector<std::shared_ptr<Seat>> leaving;  // ended outside the lock
  const std::lock_guard lock(mutex_);
  auto& seat = seats_[draft];
  if (!seat) seat = std::make_shared<Seat>();
  std::shared_ptr<Seat> ours = seat;
  while (seats_.size() > most_) {
    auto oldest = seats_.end();
    for (auto it = seats_.begin(); it != seats_.end(); ++it) {
      const bool at_work = it->second.use_count() > 1;
      if (!at_work && (oldest == seats_.end() || it->second->used < oldest->second->used)) {
        oldest = it;
      }
    }
    if (oldest == seats_.end()) break;  // all at work: they are bounded by the server's threads
    leaving.push_back(std::move(oldest->second));
    seats_.erase(oldest);
  }
  return ours;
}

/// One of the few that may be at work at the same time.
class Workers::Turn {
 public:
  Turn(Workers& all, const Progress& progress) : all_(all) {
    std::unique_lock lock(all_.mutex_);
    const bool waits = all_.free_ == 0;
    if (waits) {
      lock.unlock();
      progress({{"text", "waiting for others to finish"}});
      lock.lock();
    }
    all_.freed_.wait(lock, [this] { return all_.free_ > 0; });
    --all_.free_;
  }
  Turn(const Turn&) = delete;
  Turn& operator=(const Turn&) = delete;
  ~Turn() {
    {
      const std::lock_guard lock(all_.mutex_);
      ++all_.free_;
    }
    all_.freed_.notify_one();
  }

 private:
  Workers& all_;
};

json Workers::ask(const std::string& draft, const json& request, const Progress& progress) {
  const std::shared_ptr<Seat> seat = seat_of(draft);
  const std::lock_guard ours(seat->busy);
  const Turn turn(*this, progress);
  if (!seat->child || seat->child->closed()) {
    auto one = ready_one();
    if (!one.ok()) return {{"error", one.error().detail}, {"code", name_of(one.error().code)}};
    seat->child = std::move(one).value();
  }
  auto out = converse(*seat->child, request, progress, ending_);
  if (!out) {
    seat->child.reset();
    out = json{{"error",
                "this photo could not be looked at within the time and memory there is for one; "
                "take another, or a smaller one"},
               {"code", name_of(Code::too_large)}};
  }
  const std::lock_guard lock(mutex_);
  seat->used = Clock::now();
  return *out;
}

Result<Apart> Workers::ready_one() {
  std::optional<Apart> taken;
  {
    const std::lock_guard lock(mutex_);
    taken.swap(spare_);
  }
  if (taken && taken->look() == Apart::End::running) return std::move(*taken);
  return new_worker();
}

void Workers::keep_ready() {
  const std::lock_guard lock(mutex_);
  if (spare_ && spare_->look() == Apart::End::running) return;
  spare_.reset();
  auto one = new_worker();
  if (one.ok()) spare_ = std::move(one).value();
}

void Workers::forget(const std::string& draft) {
  std::shared_ptr<Seat> leaving;
  const std::lock_guard lock(mutex_);
  const auto it = seats_.find(draft);
  if (it == seats_.end()) return;
  leaving = std::move(it->second);
  seats_.erase(it);
}

void Workers::end_idle(std::chrono::seconds longer_than) {
  std::vector<std::shared_ptr<Seat>> leaving;
  const std::lock_guard lock(mutex_);
  for (auto it = seats_.begin(); it != seats_.end();) {
    const bool idle = it->second.use_count() == 1 && Clock::now() - it->second->used > longer_than;
    if (idle) leaving.push_back(std::move(it->second));
    it = idle ? seats_.erase(it) : std::next(it);
  }
}

void Workers::end_all() {
  std::map<std::string, std::shared_ptr<Seat>> leaving;
  ending_ = true;
  const std::lock_guard lock(mutex_);
  leaving.swap(seats_);
  spare_.reset();
}

}  // namespace panecard::app::page
