#include "app/batch_run.h"

#include <poll.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <deque>
#include <map>
#include <optional>

#include "app/apart.h"
#include "app/batch_text.h"
#include "app/batch_work.h"
#include "drawings/drawings.h"

namespace panecard::app {
namespace {

using library::Library;
using library::Sha256;

constexpr std::size_t kMostPhotoBytes = 128'000'000;
constexpr std::size_t kOwn_mb = 60;  ///< this process
/// What measuring takes, seen: 125 to 141 MB for one photo of 12 megapixels, 181 MB for two.
constexpr double kFirst_mb = 150, kMore_mb = 60, kRedraw_mb = 60;

/// What one process is asked to do.
struct Step {
  std::size_t pane = 0;
  std::vector<std::size_t> photos;
  std::int64_t measurement = 0;  ///< in the library already: only to be drawn
  bool alone = false;            ///< it took more memory than its share
};

struct Done {
  Step step;
  Measured measured;
};

struct Running {
  Apart process;
  Step step;
  double memory_mb = 0;
};

/// A pane between its first step and its place in the library.
struct Open {
  std::size_t unfinished = 0;
  std::vector<Done> done;
};

class Batch {
 public:
  Batch(const BatchList& list, Library& library, const BatchSettings& settings,
        const BatchCalls& calls)
      : list_(list), library_(library), settings_(settings), calls_(calls) {
    for (const ListedPane& pane : list.panes) {
      progress_.photos += pane.photos.size();
      outcomes_.emplace_back().photos.resize(pane.photos.size());
    }
  }

  Result<std::vector<PaneOutcome>> run() {
    while (next_commit_ < list_.panes.size()) {
      if (auto failed = open_panes()) return *failed;
      if (auto failed = start_steps()) return *failed;
      if (auto failed = commit_ready()) return *failed;
      wait();
      if (calls_.progress) calls_.progress(progress_);
    }
    return std::move(outcomes_);
  }

 private:
  std::size_t jobs() const { return static_cast<std::size_t>(settings_.jobs); }
  double budget_mb() const {
    const double all = static_cast<double>(settings_.memory_mb);
    return std::max(all - kOwn_mb, kFirst_mb);
  }
  double share_mb(const Step& step) const;

  Outcome open_panes();
  Outcome open_pane(std::size_t index);
  Outcome look_up(std::size_t pane, std::size_t photo, std::map<std::int64_t, Step>& known);
  Outcome recall(std::size_t pane, std::size_t photo, const Sha256& hash);
  std::string how(std::size_t pane) const;
  void tell_again(std::size_t pane, bool alone, std::vector<std::size_t>& fresh);
  bool may_start(const Step& step) const;
  Outcome start_steps();
  Result<Apart> started(const Step& step, double memory_mb);
  Result<Apart> redrawing(const Step& step, const Bounds& bounds);
  void wait();
  void finish(Running& running, Apart::End end);
  void finish(const Step& step, Measured measured);
  Outcome commit_ready();
  Outcome commit(std::size_t pane);
  Outcome add(const Done& done);
  void fail(const Step& step, const std::string& why);
  drawings::BatchPane shown(const Done& done) const;
  std::vector<drawings::BatchPane> shown(std::size_t pane, const Open& open) const;

  const ListedPhoto& listed(std::size_t pane, std::size_t photo) const {
    return list_.panes[pane].photos[photo];
  }

  const BatchList& list_;
  Library& library_;
  const BatchSettings& settings_;
  const BatchCalls& calls_;
  std::vector<PaneOutcome> outcomes_;
  std::map<Sha256, std::string> seen_;  ///< photos of this batch, by the name that comes first
  std::map<std::size_t, Open> open_;
  std::map<std::size_t, std::map<std::size_t, Sha256>> hashes_;  ///< of photos of open panes
  std::deque<Step> waiting_;
  std::vector<Running> running_;
  std::size_t next_open_ = 0, next_commit_ = 0;
  double first_mb_ = kFirst_mb;  ///< grows where the photos are larger than usual
  BatchProgress progress_;
};

double Batch::share_mb(const Step& step) const {
  if (step.measurement > 0) return kRedraw_mb;
  if (step.alone) return budget_mb();
  const double wanted = first_mb_ + kMore_mb * static_cast<double>(step.photos.size() - 1);
  return std::min(wanted, budget_mb());
}

/// Far enough ahead that nobody waits for the slowest, near enough that results do not pile up.
Outcome Batch::open_panes() {
  const std::size_t ahead = 8 * jobs();
  while (next_open_ < list_.panes.size() && waiting_.size() < jobs() && open_.size() < ahead) {
    if (auto failed = open_pane(next_open_++)) return failed;
  }
  return std::nullopt;
}

Outcome Batch::look_up(std::size_t pane, std::size_t photo, std::map<std::int64_t, Step>& known) {
  PhotoOutcome& outcome = outcomes_[pane].photos[photo];
  const ListedPhoto& at = listed(pane, photo);
  outcome.state = PhotoState::failed;
  outcome.why = at.trouble;
  if (!at.trouble.empty()) return std::nullopt;
  const auto bytes = read_file(at.path, kMostPhotoBytes);
  if (!bytes.ok()) {
    outcome.why = without_path(bytes.error().detail, at.path);
    return std::nullopt;
  }
  const Sha256 hash = library::sha256(bytes.value());
  outcome.sha256 = library::hex(hash);
  const auto [first, fresh] = seen_.try_emplace(hash, at.name);
  if (!fresh) {
    outcome.state = PhotoState::duplicate;
    outcome.why = "the same photo as '" + first->second + "'; skipped";
    return std::nullopt;
  }
  const auto there = library_.with_photo(hash);
  if (!there.ok()) return there.error();
  hashes_[pane][photo] = hash;
  outcome.state = PhotoState::waiting;
  if (!there->already_there) return recall(pane, photo, hash);
  outcome.state = PhotoState::there_already;
  outcome.measurement = there->measurement;
  outcomes_[pane].pane = there->pane;
  Step& step = known[there->measurement];
  step.pane = pane;
  step.measurement = there->measurement;
  step.photos.push_back(photo);
  return std::nullopt;
}

/// All that decides whether a photo can be measured, but the photo.
std::string Batch::how(std::size_t pane) const {
  const PhotoOptions& o = list_.panes[pane].options;
  std::string out = settings_.program;
  for (const std::string& word :
       {o.boundary, o.plain, o.bow, o.radius, o.bow_axis, o.glass_thickness, o.card_thickness,
        o.seen_from, to_text(o.printed_bar_mm, 3), to_text(settings_.seconds, 0),
        std::to_string(settings_.memory_mb), o.lens}) {
    out += "|" + word;
  }
  for (const std::string& near : o.near) out += "|" + near;
  const auto lens = read_file(o.lens, kMostPhotoBytes);
  return lens.ok() ? out + "|" + library::hex(library::sha256(lens.value())) : out;
}

Outcome Batch::recall(std::size_t pane, std::size_t photo, const Sha256& hash) {
  if (settings_.again) return std::nullopt;
  const auto why = library_.failure(hash, how(pane));
  if (!why.ok()) return why.error();
  if (!why->has_value()) return std::nullopt;
  PhotoOutcome& outcome = outcomes_[pane].photos[photo];
  outcome.told_again = true;
  outcome.why = *why.value();
  return std::nullopt;
}

/// Failed photos are told again, unless with a new one of their pane they may come to something.
void Batch::tell_again(std::size_t pane, bool alone, std::vector<std::size_t>& fresh) {
  const auto told = [&](std::size_t photo) { return outcomes_[pane].photos[photo].told_again; };
  if (alone && !std::all_of(fresh.begin(), fresh.end(), told)) {
    for (const std::size_t photo : fresh) outcomes_[pane].photos[photo].told_again = false;
    return;
  }
  for (const std::size_t photo : fresh) {
    if (told(photo)) outcomes_[pane].photos[photo].state = PhotoState::failed;
  }
  std::erase_if(fresh, told);
}

Outcome Batch::open_pane(std::size_t index) {
  Open& open = open_[index];
  std::map<std::int64_t, Step> known;
  std::vector<std::size_t> fresh;
  for (std::size_t photo = 0; photo < list_.panes[index].photos.size(); ++photo) {
    if (auto failed = look_up(index, photo, known)) return failed;
    if (outcomes_[index].photos[photo].state == PhotoState::waiting) fresh.push_back(photo);
  }
  tell_again(index, known.empty(), fresh);
  std::size_t asked = fresh.size();
  for (const auto& [measurement, step] : known) {
    if (!settings_.pictures) break;
    waiting_.push_back(step);
    ++open.unfinished;
    asked += step.photos.size();
  }
  progress_.done += list_.panes[index].photos.size() - asked;
  // Some are there: the cards may have been moved since then, and a batch that was killed had
  // measured them one by one.
  const bool together = fresh.size() > 1 && known.empty();
  if (together) waiting_.push_back({index, fresh, 0, false}), ++open.unfinished;
  if (together) return std::nullopt;
  if (fresh.size() > 1) outcomes_[index].not_together = "some of its photos were measured before";
  for (const std::size_t photo : fresh) {
    waiting_.push_back({index, {photo}, 0, false});
    ++open.unfinished;
  }
  return std::nullopt;
}

bool Batch::may_start(const Step& step) const {
  if (running_.empty()) return true;
  if (running_.size() >= jobs() || step.alone) return false;
  double used_mb = share_mb(step);
  for (const Running& running : running_) {
    if (running.step.alone) return false;
    used_mb += running.memory_mb;
  }
  return used_mb <= budget_mb();
}

Outcome Batch::start_steps() {
  while (!waiting_.empty() && may_start(waiting_.front())) {
    const Step step = waiting_.front();
    const double memory_mb = share_mb(step);
    auto process = started(step, memory_mb);
    if (!process.ok()) {
      if (running_.empty()) return process.error();
      return std::nullopt;  // once another has ended there may be room
    }
    waiting_.pop_front();
    running_.push_back({std::move(process).value(), step, memory_mb});
  }
  return std::nullopt;
}

Result<Apart> Batch::redrawing(const Step& step, const Bounds& bounds) {
  std::map<std::string, std::string> copies;
  for (const std::size_t photo : step.photos) {
    const auto copy = library_.photo_copy(step.measurement, hashes_[step.pane][photo]);
    if (copy.ok()) copies[outcomes_[step.pane].photos[photo].sha256] = copy.value();
  }
  const auto json = library_.measurement_json(step.measurement);
  if (!json.ok()) return json.error();
  return Apart::start([&] { return redraw_for_batch(json.value(), copies); }, bounds);
}

Result<Apart> Batch::started(const Step& step, double memory_mb) {
  constexpr double kStill_s = 30;  // threads of a decoder may wait for each other for ever
  const Bounds bounds{settings_.seconds * static_cast<double>(step.photos.size()),
                      static_cast<std::size_t>(memory_mb), kStill_s};
  if (step.measurement > 0) return redrawing(step, bounds);
  Measuring work;
  work.options = list_.panes[step.pane].options;
  for (const std::size_t photo : step.photos) {
    work.paths.push_back(listed(step.pane, photo).path);
    work.hashes.push_back(hashes_[step.pane][photo]);
  }
  // Cores that no other photo will use; the result is the same with any number.
  const std::size_t others = running_.size() + waiting_.size() + list_.panes.size() - next_open_;
  work.threads =
      static_cast<int>(step.alone ? jobs() : jobs() / std::clamp(others, std::size_t{1}, jobs()));
  return Apart::start([&] { return measure_for_batch(work); }, bounds);
}

void Batch::wait() {
  if (running_.empty()) return;
  constexpr int kLook_ms = 50;  // memory is looked at so often
  std::vector<pollfd> ends;
  for (const Running& running : running_) ends.push_back({running.process.descriptor(), POLLIN, 0});
  ::poll(ends.data(), ends.size(), kLook_ms);
  for (std::size_t i = 0; i < running_.size();) {
    const Apart::End end = running_[i].process.look();
    if (end == Apart::End::running) {
      ++i;
      continue;
    }
    Running ended = std::move(running_[i]);
    running_.erase(running_.begin() + static_cast<std::ptrdiff_t>(i));
    finish(ended, end);
  }
}

void Batch::finish(Running& running, Apart::End end) {
  Step step = running.step;
  if (end == Apart::End::answered) {
    auto measured = measured_in(running.process.answer());
    if (measured.ok()) return finish(step, std::move(measured).value());
    end = Apart::End::died;
  }
  if (end == Apart::End::too_large && running.memory_mb < budget_mb()) {
    constexpr double kGrowth = 1.5;
    first_mb_ = std::min(kGrowth * first_mb_, budget_mb());
    step.alone = true;
    waiting_.push_front(step);
    return;
  }
  Measured measured;
  measured.error = Error{Code::degenerate_shape, ""};
  if (end == Apart::End::too_large) {
    measured.error = Error{Code::too_large, "it takes more than " + to_text(budget_mb(), 0) +
                                                " MB; give a smaller photo, or --memory"};
  } else if (end == Apart::End::too_long) {
    measured.error->detail = "no result within " + to_text(settings_.seconds, 0) +
                             " s a photo; give more with --limit, or another photo";
  } else if (end == Apart::End::stalled) {
    measured.error->detail = "reading it came to a stop; copy it from the phone again";
  } else {
    const int signal = running.process.signal();
    measured.error->detail = "measuring it broke off" +
                             (signal > 0 ? " (" + std::string(::strsignal(signal)) + ")" : "") +
                             "; take another photo and report this one";
  }
  finish(step, std::move(measured));
}

void Batch::finish(const Step& step, Measured measured) {
  Open& open = open_[step.pane];
  --open.unfinished;
  if (measured.error && step.photos.size() > 1 && step.measurement == 0) {
    outcomes_[step.pane].not_together = measured.error->detail;
    for (auto photo = step.photos.rbegin(); photo != step.photos.rend(); ++photo) {
      waiting_.push_front({step.pane, {*photo}, 0, false});
      ++open.unfinished;
    }
    return;
  }
  progress_.done += step.photos.size();
  if (step.measurement == 0) progress_.measured += step.photos.size();
  open.done.push_back({step, std::move(measured)});
}

Outcome Batch::commit_ready() {
  while (next_commit_ < next_open_ && open_[next_commit_].unfinished == 0) {
    if (auto failed = commit(next_commit_)) return failed;
    open_.erase(next_commit_);
    hashes_.erase(next_commit_);
    ++next_commit_;
  }
  return std::nullopt;
}

Outcome Batch::commit(std::size_t pane) {
  Open& open = open_[pane];
  std::sort(open.done.begin(), open.done.end(), [](const Done& a, const Done& b) {
    return a.step.photos.front() < b.step.photos.front();
  });
  for (const Done& done : open.done) {
    if (done.step.measurement > 0) continue;
    if (auto failed = add(done)) return failed;
  }
  PaneOutcome& outcome = outcomes_[pane];
  for (const PhotoOutcome& photo : outcome.photos) {
    if (photo.state == PhotoState::failed) ++progress_.failed;
  }
  return calls_.pane ? calls_.pane(pane, outcome, shown(pane, open)) : std::nullopt;
}

void Batch::fail(const Step& step, const std::string& why) {
  for (const std::size_t photo : step.photos) {
    PhotoOutcome& outcome = outcomes_[step.pane].photos[photo];
    outcome.state = PhotoState::failed;
    outcome.why = without_path(why, listed(step.pane, photo).path);
  }
}

Outcome Batch::add(const Done& done) {
  const Step& step = done.step;
  if (done.measured.error) {
    fail(step, done.measured.error->detail);
    for (const std::size_t photo : step.photos) {
      const auto kept = library_.set_failure(hashes_[step.pane][photo], how(step.pane),
                                             outcomes_[step.pane].photos[photo].why);
      if (!kept.ok()) return kept.error();
    }
    return std::nullopt;
  }
  std::vector<library::Photo> photos;
  for (std::size_t i = 0; i < step.photos.size(); ++i) {
    photos.push_back({listed(step.pane, step.photos[i]).name, hashes_[step.pane][step.photos[i]],
                      done.measured.copies[i]});
  }
  const ListedPane& listed_pane = list_.panes[step.pane];
  const auto added = library_.add(listed_pane.vehicle, listed_pane.pane, done.measured.result_json,
                                  photos, settings_.stamp, false);
  if (!added.ok()) {
    if (added.error().code == Code::unwritable_file) return added.error();
    return fail(step, added.error().detail), std::nullopt;
  }
  PaneOutcome& outcome = outcomes_[step.pane];
  outcome.pane = added->pane;
  outcome.together = step.photos.size() > 1;
  for (std::size_t i = 0; i < done.measured.codes.size(); ++i) {
    outcome.doubts.push_back({done.measured.codes[i], done.measured.shown.doubts[i]});
  }
  for (const std::size_t photo : step.photos) {
    outcome.photos[photo].state =
        added->already_there ? PhotoState::there_already : PhotoState::measured;
    outcome.photos[photo].measurement = added->measurement;
  }
  return std::nullopt;
}

drawings::BatchPane Batch::shown(const Done& done) const {
  const Step& step = done.step;
  drawings::BatchPane out = done.measured.shown;
  const PaneOutcome& outcome = outcomes_[step.pane];
  for (const std::size_t photo : step.photos) {
    out.photos += (out.photos.empty() ? "" : ", ") + listed(step.pane, photo).name;
  }
  const PhotoOutcome& first = outcome.photos[step.photos.front()];
  out.name = name_of(list_.panes[step.pane]);
  out.state = state_words(first.state);
  if (first.state == PhotoState::failed) out.doubts.push_back(first.why);
  if (!outcome.not_together.empty() && first.state == PhotoState::measured) {
    out.doubts.push_back("not measured together with its other photos: " + outcome.not_together);
  }
  return out;
}

/// What its steps gave, and then the photos that came to none.
std::vector<drawings::BatchPane> Batch::shown(std::size_t pane, const Open& open) const {
  std::vector<drawings::BatchPane> out;
  std::vector<bool> drawn(outcomes_[pane].photos.size());
  for (const Done& done : open.done) {
    out.push_back(shown(done));
    for (const std::size_t photo : done.step.photos) drawn[photo] = true;
  }
  for (std::size_t photo = 0; photo < drawn.size(); ++photo) {
    const PhotoOutcome& outcome = outcomes_[pane].photos[photo];
    if (drawn[photo]) continue;
    drawings::BatchPane without;
    without.name = name_of(list_.panes[pane]);
    without.state = state_words(outcome.state);
    without.photos = listed(pane, photo).name;
    if (!outcome.why.empty()) without.doubts.push_back(outcome.why);
    out.push_back(std::move(without));
  }
  return out;
}

}  // namespace

Result<std::vector<PaneOutcome>> run_batch(const BatchList& list, library::Library& library,
                                           const BatchSettings& settings, const BatchCalls& calls) {
  return Batch(list, library, settings, calls).run();
}

}  // namespace panecard::app
