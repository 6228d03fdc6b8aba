#include "app/page/shelf.h"

#include <sys/stat.h>

#include <array>
#include <cctype>
#include <ctime>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "app/apart.h"
#include "app/app.h"
#include "app/library_text.h"
#include "app/page/gate.h"
#include "app/piece_request.h"
#include "library/library.h"
#include "report/report.h"

namespace panecard::app::page {
namespace {

namespace fs = std::filesystem;
using library::Access;
using library::Library;
using nlohmann::json;

constexpr std::size_t kMostFile = std::size_t{64} << 20;

/// RFC 3339, UTC.
std::string now() {
  const std::time_t seconds = std::time(nullptr);
  std::tm utc{};
  ::gmtime_r(&seconds, &utc);
  std::array<char, 32> text{};
  std::strftime(text.data(), text.size(), "%Y-%m-%dT%H:%M:%SZ", &utc);
  return text.data();
}

std::string text_of(const json& what) {
  return what.dump(-1, ' ', false, json::error_handler_t::replace);
}

Reply said(const json& what) { return {"application/json", text_of(what), ""}; }

json numbers(const PolygonMm& points) {
  json out = json::array();
  for (const PointMm& p : points) {
    out.push_back(std::round(p.x * 100) / 100);
    out.push_back(std::round(p.y * 100) / 100);
  }
  return out;
}

/// A folder for one request, gone afterwards.
class Work {
 public:
  explicit Work(const std::string& in) : folder_(fs::path(in) / random_hex(8)) {
    std::error_code trouble;
    fs::create_directories(in, trouble);
    made_ = ::mkdir(folder_.c_str(), S_IRWXU) == 0;
  }
  Work(const Work&) = delete;
  Work& operator=(const Work&) = delete;
  ~Work() {
    std::error_code ignored;
    fs::remove_all(folder_, ignored);
  }
  bool made() const { return made_; }
  std::string operator/(const std::string& name) const { return folder_ / name; }

 private:
  fs::path folder_;
  bool made_ = false;
};

const Error kNoRoom = {Code::unwritable_file, "no room left on the computer for this file"};

/// "norden-kuma-front-door-left"
std::string slug(const library::PaneLine& line) {
  std::string out;
  for (const char c : name_of(line)) {
    if (std::isalnum(static_cast<unsigned char>(c)) != 0) {
      out += static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
    } else if (!out.empty() && out.back() != '-') {
      out += '-';
    }
  }
  while (!out.empty() && out.back() == '-') out.pop_back();
  return out.empty() ? "pane" : out;
}

std::string type_of(const std::string& kind) {
  const std::string end = kind.substr(kind.rfind('.') + 1);
  if (end == "json") return "application/json";
  if (end == "svg") return "image/svg+xml";
  if (end == "pdf") return "application/pdf";
  return end == "dxf" ? "image/vnd.dxf" : "application/octet-stream";
}

Outcome run(const std::vector<std::string>& command) {
  constexpr int kMost_ms = 60'000;
  constexpr Bounds kBounds{60, 1024};
  std::vector<std::string> arguments = {kNameErrors};
  arguments.insert(arguments.end(), command.begin(), command.end());
  auto process = Apart::start(arguments, Apart::Heard::errors, kBounds);
  if (!process.ok()) return process.error();
  const Apart::End end = process.value().wait(kMost_ms);
  if (end == Apart::End::answered) return std::nullopt;
  constexpr std::size_t kMostSaid = 4000;
  std::string said = one_line(process->answer().substr(0, kMostSaid));
  const std::string mark = "panecard: ";
  if (said.starts_with(mark)) said.erase(0, mark.size());
  if (end == Apart::End::too_long) {
    return Error{Code::too_large, "it took too long and was stopped; give it less at once"};
  }
  const std::size_t colon = said.find(": ");
  if (const auto code = code_named(said.substr(0, colon)); code && colon != std::string::npos) {
    return Error{*code, said.substr(colon + 2)};
  }
  return Error{Code::degenerate_shape, "that could not be made"};
}

Outcome known_set(const std::string& set) {
  if (set.empty()) return std::nullopt;
  const auto sets = allowance_sets("");
  if (!sets.ok()) return sets.error();
  for (const pattern::AllowanceSet& s : sets.value()) {
    if (s.name == set) return std::nullopt;
  }
  return Error{Code::bad_usage, "there are no ready-made allowances of this name"};
}

/// The command that makes a pane's piece, with the files it shall leave.
std::vector<std::string> piece_command(const std::string& result, const std::string& name,
                                       const PieceAsked& asked) {
  std::vector<std::string> out = {"piece", result, "--name=" + name};
  if (!asked.set.empty()) out.push_back("--set=" + asked.set);
  if (asked.mirror) out.emplace_back("--mirror");
  return out;
}

struct Kind {
  const char *name, *option;
};
constexpr std::array<Kind, 6> kPieceKinds = {{{"piece.json", "--json="},
                                              {"piece.svg", "--svg="},
                                              {"piece.dxf", "--dxf="},
                                              {"piece.plt", "--hpgl="},
                                              {"piece.pdf", "--pdf="},
                                              {"drawing.pdf", "--drawing="}}};
constexpr std::array<Kind, 5> kRollKinds = {{{"roll.svg", "--svg="},
                                             {"roll.dxf", "--dxf="},
                                             {"roll.plt", "--hpgl="},
                                             {"roll.pdf", "--pdf="},
                                             {"roll-drawing.pdf", "--drawing="}}};

template <std::size_t N>
const Kind* kind_in(const std::array<Kind, N>& kinds, const std::string& name) {
  for (const Kind& kind : kinds) {
    if (kind.name == name) return &kind;
  }
  return nullptr;
}

Result<Reply> file_reply(const Work& work, const std::string& kind, const std::string& name) {
  auto bytes = read_file(work / kind, kMostFile);
  if (!bytes.ok()) return Error{Code::unreadable_file, "that could not be made"};
  return Reply{type_of(kind), std::move(bytes).value(), name + "-" + kind};
}

std::string word(const json& words, const char* name) {
  constexpr std::size_t kMost = 200;
  const json value = words.value(name, json());
  if (!value.is_string()) return {};
  return one_line(value.get<std::string>().substr(0, kMost));
}

Result<Library> opened(const std::string& file, Access access) {
  return Library::open(file, {access});
}

}  // namespace

Result<Reply> Shelf::search(const std::string& text) const {
  constexpr std::size_t kMost = 100;
  if (!fs::exists(library_)) return said({{"panes", json::array()}});
  const auto library = opened(library_, Access::read);
  if (!library.ok()) return library.error();
  const auto found = text.empty() ? library.value().panes() : library.value().find(text, kMost);
  if (!found.ok()) return found.error();
  return Reply{"application/json", list_json(found.value()), ""};
}

Result<Reply> Shelf::pane(std::int64_t pane) const {
  const auto library = opened(library_, Access::read);
  if (!library.ok()) return library.error();
  const auto view = library.value().show(pane);
  if (!view.ok()) return view.error();
  const auto history = library.value().history(pane);
  if (!history.ok()) return history.error();
  json out = json::parse(pane_json(view.value()));
  out["title"] = name_of(view->line);
  out["history"] = json::parse(history_json(history.value()))["revisions"];
  const auto result = library.value().pattern_json(pane);
  if (result.ok()) {
    const json pattern = json::parse(result.value(), nullptr, false);
    if (pattern.is_object()) {
      out["box"] = pattern.value("box", json());
      out["boundary"] = pattern.value("boundary", "");
      out["verdict"] = pattern.value("verdict", "");
    }
  }
  const auto shape = library.value().pattern_shape(pane);
  if (shape.ok()) out["outline"] = numbers(shape->contour.points);
  return said(out);
}

Result<Reply> Shelf::picture(std::int64_t pane) const {
  const auto library = opened(library_, Access::read);
  if (!library.ok()) return library.error();
  const auto view = library.value().show(pane);
  if (!view.ok()) return view.error();
  for (auto m = view->measurements.rbegin(); m != view->measurements.rend(); ++m) {
    for (const library::Photo& photo : m->photos) {
      auto copy = library.value().photo_copy(m->id, photo.hash);
      if (copy.ok() && !copy.value().empty()) return Reply{"image/jpeg", copy.value(), ""};
    }
  }
  return Error{Code::unreadable_file, "there is no picture of this pane"};
}

Result<Reply> Shelf::compare(std::int64_t first, std::int64_t second, bool mirrored) const {
  constexpr double kTolerance_mm = 2;
  const auto library = opened(library_, Access::read);
  if (!library.ok()) return library.error();
  report::CompareReport report;
  const auto names = [&](std::int64_t pane, std::string& name) -> Outcome {
    const auto view = library.value().show(pane);
    if (!view.ok()) return view.error();
    name = name_of(view->line);
    return std::nullopt;
  };
  if (auto failed = names(first, report.first)) return *failed;
  if (auto failed = names(second, report.second)) return *failed;
  const auto a = library.value().pattern_shape(first), b = library.value().pattern_shape(second);
  if (!a.ok()) return a.error();
  if (!b.ok()) return b.error();
  const auto comparison = check::compare(a.value(), b.value(), mirrored, kTolerance_mm);
  if (!comparison.ok()) return comparison.error();
  report.mirrored = mirrored;
  report.tolerance_mm = kTolerance_mm;
  report.comparison = comparison.value();
  report.sources_known = a->sources_known && b->sources_known;
  return said({{"first", report.first},
               {"second", report.second},
               {"said", report::say_comparison(report, Units::mm)},
               {"said_inch", report::say_comparison(report, Units::inch)},
               {"laid", numbers(report.comparison.registered)},
               {"on", numbers(report.comparison.reference)},
               {"gap_mm", report.comparison.gap.size_mm},
               {"gap_u95_mm", report.comparison.gap.u95_mm},
               {"gap_where", report.comparison.gap.where},
               {"overlap_mm", report.comparison.overlap.size_mm},
               {"overlap_u95_mm", report.comparison.overlap.u95_mm},
               {"overlap_where", report.comparison.overlap.where}});
}

Result<Reply> Shelf::sets() {
  const auto sets = allowance_sets("");
  if (!sets.ok()) return sets.error();
  json out = json::array();
  for (const pattern::AllowanceSet& s : sets.value()) {
    out.push_back({{"name", s.name}, {"title", s.title}, {"boundaries", s.boundaries}});
  }
  return said({{"sets", out}});
}

Result<Reply> Shelf::file(std::int64_t pane, const std::string& kind,
                          const PieceAsked& asked) const {
  const auto library = opened(library_, Access::read);
  if (!library.ok()) return library.error();
  const auto view = library.value().show(pane);
  if (!view.ok()) return view.error();
  const auto result = library.value().pattern_json(pane);
  if (!result.ok()) return result.error();
  const std::string name = slug(view->line);
  if (kind == "result.json") return Reply{"application/json", result.value(), name + ".json"};
  const Kind* made = kind_in(kPieceKinds, kind);
  if (made == nullptr && kind != "job.pdf") {
    return Error{Code::unreadable_file, "there is no such file"};
  }
  if (auto failed = known_set(asked.set)) return *failed;
  const Work work(work_);
  if (!work.made() || !write_file(work / "pane.json", result.value()).ok()) return kNoRoom;
  const std::string title = name_of(view->line);
  std::vector<std::string> command = piece_command(work / "pane.json", title, asked);
  command.push_back(made != nullptr ? made->option + (work / kind)
                                    : "--json=" + (work / "piece.json"));
  if (auto failed = run(command)) return *failed;
  if (kind == "job.pdf") {
    if (auto failed = run({"job", work / "pane.json", work / "piece.json", "--vehicle=" + title,
                           "--pdf=" + (work / kind)})) {
      return *failed;
    }
  }
  return file_reply(work, kind, name);
}

Result<Reply> Shelf::roll(const std::string& kind, const RollAsked& asked) const {
  constexpr std::size_t kMostPanes = 40;
  const Kind* made = kind_in(kRollKinds, kind);
  if (made == nullptr && kind != "job.pdf") {
    return Error{Code::unreadable_file, "there is no such file"};
  }
  if (asked.panes.empty() || asked.panes.size() > kMostPanes) {
    return Error{Code::bad_usage, "choose 1 to 40 panes for the film"};
  }
  if (auto failed = known_set(asked.piece.set)) return *failed;
  const auto library = opened(library_, Access::read);
  if (!library.ok()) return library.error();
  const Work work(work_);
  if (!work.made()) return kNoRoom;
  std::vector<std::string> pieces, sheet = {"job"};
  for (const std::int64_t pane : asked.panes) {
    const auto view = library.value().show(pane);
    if (!view.ok()) return view.error();
    const auto result = library.value().pattern_json(pane);
    if (!result.ok()) return result.error();
    const std::string stem = "pane-" + std::to_string(pane);
    if (!write_file(work / (stem + ".json"), result.value()).ok()) return kNoRoom;
    auto command = piece_command(work / (stem + ".json"), name_of(view->line), asked.piece);
    command.push_back("--json=" + (work / (stem + "-piece.json")));
    if (auto failed = run(command)) return *failed;
    pieces.push_back(work / (stem + "-piece.json"));
    sheet.push_back(work / (stem + ".json"));
  }
  std::vector<std::string> command = {"roll"};
  command.insert(command.end(), pieces.begin(), pieces.end());
  command.insert(command.end(),
                 {"--width=" + asked.width, "--effort=1", "--json=" + (work / "layout.json")});
  if (asked.twins) command.emplace_back("--twin=all");
  if (made != nullptr) command.push_back(made->option + (work / kind));
  if (auto failed = run(command)) return *failed;
  if (made == nullptr) {
    sheet.insert(sheet.end(), pieces.begin(), pieces.end());
    sheet.insert(sheet.end(), {"--layout=" + (work / "layout.json"), "--pdf=" + (work / kind)});
    if (auto failed = run(sheet)) return *failed;
  }
  return file_reply(work, kind, "film");
}

Result<Reply> Shelf::save(const json& words, const std::string& result_json,
                          const std::vector<std::pair<std::string, std::string>>& photos,
                          const std::string& small_jpeg) const {
  const library::Vehicle vehicle{word(words, "make"), word(words, "model"), word(words, "years"),
                                 word(words, "body"), ""};
  const library::Pane pane{word(words, "window"), word(words, "side"), word(words, "notes")};
  if (vehicle.make.empty() || pane.window.empty()) {
    return Error{Code::bad_usage, "say the vehicle's make and which window it is"};
  }
  std::vector<library::Photo> kept;
  kept.reserve(photos.size());
  for (const auto& [name, bytes] : photos) {
    kept.push_back({name, library::sha256(bytes), kept.empty() ? small_jpeg : std::string()});
  }
  std::error_code trouble;
  fs::create_directories(fs::path(library_).parent_path(), trouble);
  auto library = opened(library_, Access::create);
  if (!library.ok()) return library.error();
  const auto added = library.value().add(
      vehicle, pane, result_json, kept, {now(), word(words, "who"), "measured on the page"}, false);
  if (!added.ok()) return added.error();
  return said({{"pane", added->pane},
               {"measurement", added->measurement},
               {"already_there", added->already_there},
               {"in_force", added->in_force}});
}

Result<Reply> Shelf::put_in_force(std::int64_t pane, std::int64_t measurement) const {
  auto library = opened(library_, Access::write);
  if (!library.ok()) return library.error();
  const auto done =
      library.value().put_in_force(pane, measurement, {now(), "", "chosen on the page"});
  if (!done.ok()) return done.error();
  return said({{"revision", done.value()}});
}

Result<Reply> Shelf::restore(std::int64_t pane, std::int64_t revision) const {
  auto library = opened(library_, Access::write);
  if (!library.ok()) return library.error();
  const auto done = library.value().restore(
      pane, revision, {now(), "", "revision " + std::to_string(revision) + " again"});
  if (!done.ok()) return done.error();
  return said({{"revision", done.value()}});
}

}  // namespace panecard::app::page
