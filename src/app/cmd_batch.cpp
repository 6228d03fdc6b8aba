#include <unistd.h>

#include <CLI/CLI.hpp>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <ctime>
#include <filesystem>
#include <memory>
#include <thread>

#include "app/app.h"
#include "app/batch_list.h"
#include "app/batch_run.h"
#include "app/batch_text.h"
#include "app/library_use.h"
#include "app/photo_options.h"
#include "drawings/drawings.h"

namespace panecard::app {
namespace {

struct Options {
  std::string folder, library, table, html, json, by, reason, at;
  PhotoOptions photo;
  int jobs = 0;
  std::size_t memory_mb = 600;
  double seconds = 60;
  bool again = false;
};

/// The page while it grows: its panes go to a file without a name, because what stands above them
/// is known last, and nobody knows how many there will be.
class Page {
 public:
  Page() = default;
  Page(const Page&) = delete;
  Page& operator=(const Page&) = delete;
  ~Page() {
    if (panes_ != nullptr) std::fclose(panes_);
  }

  Outcome open(const std::string& path) {
    path_ = path;
    panes_ = std::tmpfile();
    return panes_ == nullptr ? failed("no temporary file") : std::nullopt;
  }

  std::size_t size() const { return size_; }

  Outcome add(const drawings::BatchPane& pane) {
    if (panes_ == nullptr) return std::nullopt;
    return put(panes_, drawings::to_batch_html_pane(pane, ++size_));
  }

  Outcome finish(const drawings::BatchSummary& summary) {
    if (panes_ == nullptr) return std::nullopt;
    remove_leftovers(path_);
    const std::string aside = aside_name(path_);
    std::FILE* file = std::fopen(aside.c_str(), "wb");
    if (file == nullptr) return failed("its folder may not be written to");
    Outcome trouble = fill(file, summary);
    const bool closed = std::fclose(file) == 0;
    if (!closed && !trouble) trouble = failed("the disk is full");
    std::error_code moved;
    if (!trouble) std::filesystem::rename(aside, path_, moved);
    if (moved) trouble = failed(moved.message());
    std::error_code ignored;
    if (trouble) std::filesystem::remove(aside, ignored);
    return trouble;
  }

 private:
  Outcome failed(const std::string& why) const {
    return Error{Code::unwritable_file, "cannot write '" + path_ + "': " + why};
  }

  Outcome put(std::FILE* file, const std::string& text) const {
    if (std::fwrite(text.data(), 1, text.size(), file) == text.size()) return std::nullopt;
    return failed("the disk is full");
  }

  Outcome fill(std::FILE* file, const drawings::BatchSummary& summary) {
    if (auto trouble = put(file, drawings::to_batch_html_start(summary))) return trouble;
    constexpr std::size_t kPart = 1 << 20;
    std::string part(kPart, '\0');
    if (std::fflush(panes_) != 0) return failed("the disk is full");
    std::rewind(panes_);
    for (std::size_t n = 0; (n = std::fread(part.data(), 1, kPart, panes_)) > 0;) {
      if (auto trouble = put(file, part.substr(0, n))) return trouble;
    }
    return put(file, drawings::to_batch_html_end());
  }

  std::string path_;
  std::FILE* panes_ = nullptr;
  std::size_t size_ = 0;
};

/// Says how far it is, with the time left by the photos that were measured so far.
class Teller {
 public:
  void operator()(const BatchProgress& now) const {
    if (::isatty(STDERR_FILENO) == 0) return;
    std::string text = std::to_string(now.done) + " of " + std::to_string(now.photos) + " photos";
    if (now.failed > 0) text += ", " + std::to_string(now.failed) + " not measured";
    constexpr std::size_t kEnoughToTell = 3;
    if (now.measured >= kEnoughToTell) {
      const std::chrono::duration<double> spent = std::chrono::steady_clock::now() - start_;
      const double each = spent.count() / static_cast<double>(now.measured);
      const double left = each * static_cast<double>(now.photos - std::min(now.photos, now.done));
      constexpr double kMinute = 60;
      text += left < 2 * kMinute ? ", " + to_text(std::ceil(left), 0) + " s left"
                                 : ", " + to_text(std::ceil(left / kMinute), 0) + " min left";
    }
    show_progress(text);
  }

 private:
  std::chrono::steady_clock::time_point start_ = std::chrono::steady_clock::now();
};

void say_failures(const ListedPane& pane, const PaneOutcome& outcome) {
  show_progress("");
  const auto say = [](const std::string& name, const std::string& what) {
    std::fprintf(stderr, "panecard: %s: %s\n", one_line(name).c_str(), one_line(what).c_str());
  };
  const bool measured_apart = !outcome.together && !outcome.not_together.empty();
  if (measured_apart) {
    say(name_of(pane), "its photos were measured one by one: " + outcome.not_together);
  }
  for (std::size_t i = 0; i < outcome.photos.size(); ++i) {
    const PhotoOutcome& photo = outcome.photos[i];
    const bool told = photo.state == PhotoState::failed || photo.state == PhotoState::duplicate;
    if (told) {
      say(pane.photos[i].name,
          photo.why + (photo.told_again ? " (as before; not tried again)" : ""));
    }
  }
}

Result<std::string> time_of(const Options& o) {
  if (o.at.empty()) return now();
  std::tm read{};
  const char* end = ::strptime(o.at.c_str(), "%Y-%m-%dT%H:%M:%SZ", &read);
  if (end != nullptr && *end == '\0') return o.at;
  return Error{Code::bad_usage, "--at '" + o.at + "': give UTC as 2026-05-01T12:00:00Z"};
}

Result<BatchSettings> settings_of(const Options& o) {
  BatchSettings settings;
  const auto cores = static_cast<int>(std::thread::hardware_concurrency());
  settings.jobs = o.jobs > 0 ? o.jobs : std::max(1, cores);
  settings.memory_mb = o.memory_mb;
  settings.seconds = o.seconds;
  settings.pictures = !o.html.empty();
  settings.again = o.again;
  settings.program = PANECARD_VERSION;
  const auto at = time_of(o);
  if (!at.ok()) return at.error();
  settings.stamp = {at.value(), who(o.by), o.reason.empty() ? "measured in a batch" : o.reason};
  return settings;
}

Outcome plan(const Options& o, Outputs& outputs) {
  for (const std::string* path : {&o.html, &o.json}) {
    if (path->empty() || (path == &o.json && *path == "-")) continue;
    if (auto failed = outputs.plan(*path, {o.library, o.table})) return failed;
  }
  return std::nullopt;
}

drawings::BatchSummary summary_of(const Options& o, const BatchList& list,
                                  const std::vector<PaneOutcome>& outcomes,
                                  const std::vector<std::size_t>& places,
                                  const library::Stamp& stamp) {
  drawings::BatchSummary out;
  const auto folder = std::filesystem::absolute(o.folder).lexically_normal();
  out.title =
      folder.has_filename() ? folder.filename().string() : folder.parent_path().filename().string();
  out.date = stamp.at;
  out.counts = counts_words(counts_of(list, outcomes));
  for (std::size_t i = 0; i < outcomes.size(); ++i) {
    const std::string name = name_of(list.panes[i]);
    const std::string why = why_again(list.panes[i], outcomes[i]), doubt = why_look(outcomes[i]);
    if (!why.empty()) out.again.push_back({places[i], name, why});
    if (!doubt.empty()) out.doubtful.push_back({places[i], name, doubt});
  }
  return out;
}

std::optional<Answer> answer_of(const BatchCounts& counts, bool told_again) {
  constexpr int kNotMeasured = 3;
  if (counts.failed == 0) return std::nullopt;
  return Answer{kNotMeasured, std::to_string(counts.failed) + " of " +
                                  std::to_string(counts.photos) +
                                  " photos could not be measured; the reasons stand above" +
                                  (told_again ? "; --again tries them anew" : "")};
}

Outcome run(const Options& o, std::optional<Answer>& answer) {
  auto settings = settings_of(o);
  if (!settings.ok()) return settings.error();
  const auto list = list_batch(o.folder, o.table, o.photo);
  if (!list.ok()) return list.error();
  Outputs outputs;
  if (auto failed = plan(o, outputs)) return failed;
  Page page;
  if (!o.html.empty()) {
    if (auto failed = page.open(o.html)) return failed;
  }
  auto library = library::Library::open(o.library, {library::Access::create});
  if (!library.ok()) return library.error();
  std::vector<std::size_t> places;
  BatchCalls calls;
  calls.progress = Teller();
  calls.pane = [&](std::size_t pane, const PaneOutcome& outcome,
                   const std::vector<drawings::BatchPane>& shown) -> Outcome {
    say_failures(list->panes[pane], outcome);
    places.push_back(page.size() + 1);
    for (const drawings::BatchPane& one : shown) {
      if (auto failed = page.add(one)) return failed;
    }
    return std::nullopt;
  };
  const auto outcomes = run_batch(list.value(), library.value(), settings.value(), calls);
  show_progress("");
  if (!outcomes.ok()) return outcomes.error();
  const library::Stamp& stamp = settings->stamp;
  if (auto failed = page.finish(summary_of(o, list.value(), outcomes.value(), places, stamp))) {
    return failed;
  }
  bool told_again = false;
  for (const PaneOutcome& pane : outcomes.value()) {
    for (const PhotoOutcome& photo : pane.photos) told_again = told_again || photo.told_again;
  }
  answer = answer_of(counts_of(list.value(), outcomes.value()), told_again);
  const std::string json = o.json.empty() ? "" : batch_json(list.value(), outcomes.value(), stamp);
  if (o.json == "-") return Outputs().write(json);
  Outputs results;
  if (!o.json.empty()) {
    if (auto failed = results.plan(o.json, {o.library, o.table})) return failed;
    results.set(o.json, json);
  }
  return results.write(batch_text(list.value(), outcomes.value()));
}

}  // namespace

void add_batch(CLI::App& root, Outcome& outcome, std::optional<Answer>& answer) {
  const auto o = std::make_shared<Options>();
  CLI::App* command = root.add_subcommand("batch", "a folder of photos into a library");
  command->add_option("folder", o->folder, "photos; their names or a table say of which pane")
      ->required();
  command->add_option("--library", o->library, "the library's file; made if need be")->required();
  command->add_option("--manifest", o->table,
                      "a CSV file, a photo a row; else manifest.csv in the folder if there is one");
  command->add_option("--html", o->html, "write a page with every pane's outline on its photo");
  command->add_option("--json", o->json, "what became of each photo; - for standard output");
  command->add_option("--jobs", o->jobs, "photos at once; else as many as there are cores")
      ->check(CLI::Range(1, 256));
  command->add_option("--memory", o->memory_mb, "MB that all of it may take")
      ->check(CLI::Range(256, 1 << 20))
      ->capture_default_str();
  command->add_option("--limit", o->seconds, "seconds of processor time that a photo may take")
      ->check(CLI::Range(1, 86400))
      ->capture_default_str();
  command->add_flag("--again", o->again, "try photos anew that could not be measured before");
  command->add_option("--reason", o->reason, "why; it stays in the history");
  command->add_option("--by", o->by, "who; otherwise the user's name");
  command->add_option("--at", o->at, "when, instead of now: 2026-05-01T12:00:00Z");
  add_photo_options(*command, o->photo);
  command->callback([o, &outcome, &answer] { outcome = run(*o, answer); });
}

}  // namespace panecard::app
