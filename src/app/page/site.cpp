#include "app/page/site.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <atomic>
#include <charconv>
#include <ctime>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <thread>

#include "app/page/asked.h"
#include "app/page/assets.h"
#include "app/page/drafts.h"
#include "app/page/gate.h"
#include "app/page/shelf.h"
#include "app/page/wire.h"
#include "app/page/workers.h"

namespace panecard::app::page {
namespace {

namespace fs = std::filesystem;
using httplib::Request;
using httplib::Response;
using nlohmann::json;
using Parts = std::vector<std::string>;
using HandlerResponse = httplib::Server::HandlerResponse;

enum Status {
  kOk = 200,
  kBad = 400,
  kUnpaired = 401,
  kGone = 404,
  kTooLarge = 413,
  kCannot = 422,
  kBroken = 500,
  kFull = 507
};

constexpr std::size_t kThreads = 64, kWarmWorkers = 4;
constexpr std::size_t kMostBody = 512 << 10;

void answer(Response& response, const json& what, int status = kOk) {
  response.status = status;
  response.set_content(what.dump(-1, ' ', false, json::error_handler_t::replace),
                       "application/json");
}

void refuse(Response& response, int status, const std::string& why) {
  answer(response, {{"error", why}}, status);
}

int status_of(Code code) {
  switch (code) {
    case Code::unreadable_file:
      return kGone;
    case Code::too_large:
      return kTooLarge;
    case Code::unwritable_file:
      return kFull;
    default:
      return kCannot;
  }
}

void refuse(Response& response, const Error& error) {
  answer(response, {{"error", error.detail}, {"code", name_of(error.code)}}, status_of(error.code));
}

Parts parts_of(const std::string& path) {
  Parts out;
  for (std::size_t at = 1; at < path.size();) {
    const std::size_t end = std::min(path.find('/', at), path.size());
    out.push_back(path.substr(at, end - at));
    at = end + 1;
  }
  return out;
}

Asking asking_of(const Request& request) {
  Asking out;
  out.method = request.method;
  out.path = request.path;
  out.hosts = request.get_header_value_count("Host");
  out.host = request.get_header_value("Host");
  out.origin = request.get_header_value("Origin");
  out.site = request.get_header_value("Sec-Fetch-Site");
  out.ours = request.get_header_value("X-Panecard");
  out.cookie = request.get_header_value("Cookie");
  out.lengths = request.get_header_value_count("Content-Length");
  out.length = request.get_header_value("Content-Length");
  out.coding =
      request.get_header_value("Transfer-Encoding") + request.get_header_value("Content-Encoding");
  return out;
}

/// More digits than fit are as large as can be.
std::size_t said_length(const Request& request) {
  const std::string text = request.get_header_value("Content-Length");
  std::size_t out = 0;
  const auto read = std::from_chars(text.data(), text.data() + text.size(), out);
  return read.ec == std::errc() ? out : SIZE_MAX;
}

std::optional<std::string> body_of(const Request& request, const httplib::ContentReader& reader) {
  if (said_length(request) > kMostBody || request.is_multipart_form_data()) return std::nullopt;
  std::string body;
  const bool whole = reader([&](const char* bytes, std::size_t count) {
    if (body.size() + count > kMostBody) return false;
    body.append(bytes, count);
    return true;
  });
  if (!whole) return std::nullopt;
  return body;
}

std::string event(const char* name, const json& data) {
  return std::string("event: ") + name +
         "\ndata: " + data.dump(-1, ' ', false, json::error_handler_t::replace) + "\n\n";
}

/// The key stays from run to run, so that paired phones stay paired.
std::string key_in(const fs::path& file) {
  constexpr std::size_t kBytes = 32;
  const auto kept = read_file(file, kBytes * 2);
  if (kept.ok() && kept.value().size() == kBytes * 2) return kept.value();
  std::string key = random_hex(kBytes);
  const int out = ::open(file.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, S_IRUSR | S_IWUSR);
  if (out >= 0) {
    const ssize_t wrote = ::write(out, key.data(), key.size());
    ::close(out);
    if (wrote != static_cast<ssize_t>(key.size())) ::unlink(file.c_str());
  }
  return key;
}

void give(Response& response, const Result<Reply>& reply) {
  if (!reply.ok()) return refuse(response, reply.error());
  const std::string name = reply.value().file_name;
  if (!name.empty()) {
    response.set_header("Content-Disposition", "attachment; filename=\"" + name + "\"");
  }
  response.set_content(reply.value().bytes, reply.value().type);
}

/// 0: it is no number of ours.
std::int64_t number_in(const std::string& text) {
  std::int64_t out = 0;
  const auto read = std::from_chars(text.data(), text.data() + text.size(), out);
  const bool whole = read.ec == std::errc() && read.ptr == text.data() + text.size();
  return whole && out > 0 ? out : 0;
}

PieceAsked piece_in(const Request& request) {
  return {request.get_param_value("set"), request.get_param_value("mirror") == "1"};
}

RollAsked roll_in(const Request& request) {
  RollAsked out;
  out.width = request.get_param_value("width");
  out.piece = piece_in(request);
  out.twins = request.get_param_value("twins") == "1";
  const std::string panes = request.get_param_value("panes");
  for (std::size_t at = 0; at < panes.size();) {
    const std::size_t end = std::min(panes.find(',', at), panes.size());
    if (const auto pane = number_in(panes.substr(at, end - at)); pane > 0)
      out.panes.push_back(pane);
    at = end + 1;
  }
  return out;
}

std::int64_t now_s() { return static_cast<std::int64_t>(std::time(nullptr)); }

}  // namespace

class Site::Server {
 public:
  explicit Server(SiteOptions options)
      : options_(std::move(options)),
        drafts_(fs::path(options_.data_folder) / "drafts"),
        shelf_(options_.library, fs::path(options_.data_folder) / "work"),
        workers_(kWarmWorkers, std::max(1U, std::thread::hardware_concurrency())) {}

  Result<int> bind();
  std::string pairing_code() const { return pairing_ ? pairing_->code() : std::string(); }
  void run();
  void stop() { stopping_ = true; }

 private:
  void set_up();
  HandlerResponse at_the_gate(const Request& request, Response& response) const;
  bool paired(const Request& request) const {
    return !pairing_ || pairing_->knows(request.get_header_value("Cookie"), now_s());
  }
  void get(const Request& request, Response& response);
  void get_asset(const Request& request, Response& response) const;
  void get_draft(const Parts& parts, Response& response);
  void get_picture(const std::string& id, const std::string& name, Response& response);
  void post(const Request& request, Response& response, const httplib::ContentReader& reader);
  void post_draft(const Parts& parts, const Request& request, Response& response,
                  const httplib::ContentReader& reader);
  void pair(const Request& request, Response& response, const httplib::ContentReader& reader);
  void begin_draft(Response& response) const;
  void take_photo(const std::string& id, const Request& request, Response& response,
                  const httplib::ContentReader& reader) const;
  void measure(const std::string& id, const std::string& body, Response& response);
  void drop(const std::string& id, Response& response);
  void save(const std::string& id, const std::string& body, Response& response);
  void get_pane(const Parts& parts, const Request& request, Response& response) const;

  json for_worker(const std::string& id, const json& state, const char* what) const {
    json out = state;
    out["do"] = what;
    out["folder"] = drafts_.file(id, "");
    return out;
  }

  SiteOptions options_;
  Drafts drafts_;
  Shelf shelf_;
  Workers workers_;
  std::optional<Pairing> pairing_;
  std::set<std::string> names_;
  BoundedServer http_;
  std::atomic<bool> stopping_{false}, listening_{true};
};

Result<int> Site::Server::bind() {
  if (auto error = drafts_.prepare()) return *error;
  if (options_.pairing) {
    pairing_.emplace(key_in(fs::path(options_.data_folder) / "key"), options_.new_code);
  }
  set_up();
  int port = options_.port;
  if (port == 0) {
    port = http_.bind_to_any_port(options_.host);
  } else if (!http_.bind_to_port(options_.host, port)) {
    port = -1;
  }
  if (port <= 0) {
    return Error{Code::bad_usage, "cannot listen on " + options_.host + " port " +
                                      std::to_string(options_.port) +
                                      ": it is taken, or not allowed; say another with --port"};
  }
  for (const std::string& name : options_.own_names) {
    names_.insert(name + ":" + std::to_string(port));
    constexpr int kHttp = 80;
    if (port == kHttp) names_.insert(name);
  }
  return port;
}

void Site::Server::run() {
  std::thread tidy([this] {
    constexpr auto kIdle = std::chrono::seconds(180);
    while (!stopping_) {
      std::this_thread::sleep_for(std::chrono::milliseconds(200));
      workers_.end_idle(kIdle);
      workers_.keep_ready();
    }
    workers_.end_all();
    while (listening_) {  // told before it listens, the library does not hear it
      http_.stop();
      std::this_thread::sleep_for(std::chrono::milliseconds(20));
    }
  });
  http_.listen_after_bind();
  listening_ = false;
  stopping_ = true;
  tidy.join();
}

void Site::Server::set_up() {
  http_.new_task_queue = [] { return new httplib::ThreadPool(kThreads); };
  // A second server on the same port would take every other connection.
  http_.set_socket_options([](socket_t socket) {
    const int on = 1;
    ::setsockopt(socket, SOL_SOCKET, SO_REUSEADDR, &on, sizeof(on));
  });
  http_.set_tcp_nodelay(true);
  http_.set_default_headers({{"Content-Security-Policy", kPolicy},
                             {"X-Content-Type-Options", "nosniff"},
                             {"Referrer-Policy", "no-referrer"},
                             {"Cross-Origin-Opener-Policy", "same-origin"},
                             {"Cross-Origin-Resource-Policy", "same-origin"},
                             {"Cache-Control", "no-store"}});
  http_.set_pre_routing_handler([this](const Request& request, Response& response) {
    return at_the_gate(request, response);
  });
  http_.Get("/.*", [this](const Request& q, Response& r) { get(q, r); });
  http_.Post("/.*", [this](const Request& q, Response& r, const httplib::ContentReader& reader) {
    post(q, r, reader);
  });
  http_.set_exception_handler([](const Request&, Response& response, const std::exception_ptr&) {
    refuse(response, kBroken, "something went wrong here; try again");
  });
}

HandlerResponse Site::Server::at_the_gate(const Request& request, Response& response) const {
  if (const auto no = refused(asking_of(request), names_)) {
    refuse(response, no->status, no->why);
    return HandlerResponse::Handled;
  }
  const bool open = !request.path.starts_with("/api/") || request.path == "/api/hello" ||
                    request.path == "/api/pair";
  if (open || paired(request)) return HandlerResponse::Unhandled;
  refuse(response, kUnpaired, "pair this device first");
  return HandlerResponse::Handled;
}

void Site::Server::get(const Request& request, Response& response) {
  const Parts parts = parts_of(request.path);
  if (parts.empty() || parts[0] != "api") return get_asset(request, response);
  if (parts.size() == 2 && parts[1] == "hello") {
    return answer(response, {{"paired", paired(request)}, {"most_bytes", Drafts::kMostPhotoBytes}});
  }
  if (parts.size() >= 3 && parts[1] == "drafts") return get_draft(parts, response);
  if (parts.size() >= 3 && parts[1] == "panes") return get_pane(parts, request, response);
  if (parts.size() == 2 && parts[1] == "panes") {
    return give(response, shelf_.search(request.get_param_value("q")));
  }
  if (parts.size() == 2 && parts[1] == "sets") return give(response, Shelf::sets());
  if (parts.size() == 2 && parts[1] == "compare") {
    return give(response, shelf_.compare(number_in(request.get_param_value("first")),
                                         number_in(request.get_param_value("second")),
                                         request.get_param_value("mirrored") == "1"));
  }
  if (parts.size() == 3 && parts[1] == "film") {
    return give(response, shelf_.roll(parts[2], roll_in(request)));
  }
  refuse(response, kGone, "there is no such page");
}

void Site::Server::get_asset(const Request& request, Response& response) const {
  const Asset* found = asset(request.path == "/" ? "index.html" : request.path.substr(1));
  if (found == nullptr) return refuse(response, kGone, "there is no such page");
  response.set_content(found->bytes.data(), found->bytes.size(), std::string(found->type));
}

void Site::Server::get_draft(const Parts& parts, Response& response) {
  const std::string& id = parts[2];
  const auto state = drafts_.state(id);
  if (!state.ok()) return refuse(response, state.error());
  constexpr std::size_t kOwn = 3, kFile = 4;
  if (parts.size() == kOwn) return answer(response, state.value());
  if (parts.size() == kFile) return get_picture(id, parts[3], response);
  refuse(response, kGone, "there is no such page");
}

void Site::Server::get_pane(const Parts& parts, const Request& request, Response& response) const {
  constexpr std::size_t kOwn = 3, kPicture = 4, kFile = 5;
  const std::int64_t pane = number_in(parts[2]);
  if (pane > 0 && parts.size() == kOwn) return give(response, shelf_.pane(pane));
  if (pane > 0 && parts.size() == kPicture && parts[3] == "photo.jpg") {
    return give(response, shelf_.picture(pane));
  }
  if (pane > 0 && parts.size() == kFile && parts[3] == "files") {
    return give(response, shelf_.file(pane, parts[4], piece_in(request)));
  }
  refuse(response, kGone, "there is no such page");
}

void Site::Server::get_picture(const std::string& id, const std::string& name, Response& response) {
  constexpr std::size_t kMost = std::size_t{256} << 20;
  const bool full = name == "full.jpg";
  if (!full && name != "preview.jpg") return refuse(response, kGone, "there is no such page");
  if (full && !fs::exists(drafts_.file(id, name))) {
    const auto state = drafts_.state(id);
    if (!state.ok()) return refuse(response, state.error());
    workers_.ask(id, for_worker(id, state.value(), "full"), [](const json&) {});
  }
  auto bytes = read_file(drafts_.file(id, name), kMost);
  if (!bytes.ok()) return refuse(response, kGone, "there is no picture yet");
  response.set_header("Cache-Control", "private, max-age=86400, immutable");
  response.set_content(std::move(bytes).value(), "image/jpeg");
}

void Site::Server::post(const Request& request, Response& response,
                        const httplib::ContentReader& reader) {
  const Parts parts = parts_of(request.path);
  if (parts.size() < 2 || parts[0] != "api") return refuse(response, kGone, "no such page");
  if (parts[1] == "pair") return pair(request, response, reader);
  if (parts[1] == "drafts") return post_draft(parts, request, response, reader);
  if (parts.size() == 4 && parts[1] == "panes") {
    const json said = json::parse(body_of(request, reader).value_or(""), nullptr, false);
    const auto number = [&](const char* name) {
      const json value = said.is_object() ? said.value(name, json()) : json();
      return value.is_number_unsigned() ? value.get<std::int64_t>() : 0;
    };
    const std::int64_t pane = number_in(parts[2]);
    if (parts[3] == "restore") return give(response, shelf_.restore(pane, number("revision")));
    if (parts[3] == "pattern") {
      return give(response, shelf_.put_in_force(pane, number("measurement")));
    }
  }
  refuse(response, kGone, "there is no such page");
}

void Site::Server::post_draft(const Parts& parts, const Request& request, Response& response,
                              const httplib::ContentReader& reader) {
  constexpr std::size_t kNew = 2, kDeed = 4;
  if (parts.size() == kNew) return begin_draft(response);
  if (parts.size() != kDeed) return refuse(response, kGone, "there is no such page");
  const std::string &id = parts[2], &deed = parts[3];
  if (!drafts_.has(id)) return refuse(response, kGone, "this photo is not here any more");
  if (deed == "photos") return take_photo(id, request, response, reader);
  const auto body = body_of(request, reader);
  if (!body) return refuse(response, kTooLarge, "this is more than the page ever sends");
  if (deed == "measure") return measure(id, *body, response);
  if (deed == "save") return save(id, *body, response);
  if (deed == "drop") return drop(id, response);
  refuse(response, kGone, "there is no such page");
}

void Site::Server::pair(const Request& request, Response& response,
                        const httplib::ContentReader& reader) {
  const auto body = body_of(request, reader);
  const json said = json::parse(body.value_or(""), nullptr, false);
  if (!pairing_ || !said.is_object() || !said.value("code", json()).is_string()) {
    return refuse(response, kBad, "type the code that the computer shows");
  }
  const auto cookie = pairing_->pair(said["code"], now_s());
  if (!cookie) {
    return refuse(response, kUnpaired,
                  "this is not the code that the computer shows; after ten wrong ones it shows "
                  "another");
  }
  response.set_header("Set-Cookie", std::string(Pairing::kCookie) + "=" + *cookie +
                                        "; Path=/; HttpOnly; SameSite=Strict; Max-Age=" +
                                        std::to_string(Pairing::kLasts_s));
  answer(response, {{"paired", true}});
}

void Site::Server::begin_draft(Response& response) const {
  const auto id = drafts_.begin();
  if (!id.ok()) return refuse(response, kFull, id.error().detail);
  answer(response, {{"id", id.value()}});
}

void Site::Server::take_photo(const std::string& id, const Request& request, Response& response,
                              const httplib::ContentReader& reader) const {
  auto state = drafts_.state(id);
  if (!state.ok()) return refuse(response, state.error());
  json& photos = state.value()["photos"];
  if (photos.size() >= Drafts::kMostPhotos) {
    return refuse(response, kTooLarge, "at most 12 photos of one pane; leave the weakest out");
  }
  const std::string too_large = "a photo may have " +
                                std::to_string(Drafts::kMostPhotoBytes >> 20U) +
                                " MB at most; send it smaller";
  if (said_length(request) > Drafts::kMostPhotoBytes || request.is_multipart_form_data()) {
    return refuse(response, kTooLarge, too_large);
  }
  const std::string file = "photo-" + std::to_string(photos.size() + 1);
  const std::string aside = drafts_.file(id, file + "." + random_hex(4));
  std::ofstream out(aside, std::ios::binary);
  std::size_t size = 0;
  const bool whole = reader([&](const char* from, std::size_t count) {
    size += count;
    out.write(from, static_cast<std::streamsize>(count));
    return size <= Drafts::kMostPhotoBytes;
  });
  out.close();
  std::error_code moved;
  if (whole && size > 0 && out) fs::rename(aside, drafts_.file(id, file), moved);
  std::error_code ignored;
  fs::remove(aside, ignored);
  if (!whole || size == 0) return refuse(response, kBad, "the photo did not arrive whole");
  if (!out || moved) return refuse(response, kFull, "no room left on the computer for this photo");
  photos.push_back({{"file", file}, {"name", display_name(request.get_param_value("name"))}});
  if (auto error = drafts_.set_state(id, state.value())) {
    return refuse(response, kFull, error->detail);
  }
  answer(response, {{"photos", photos.size()}});
}

void Site::Server::measure(const std::string& id, const std::string& body, Response& response) {
  const auto asked = checked_draft(body);
  if (!asked.ok()) return refuse(response, kBad, asked.error().detail);
  auto state = drafts_.state(id);
  if (!state.ok()) return refuse(response, state.error());
  if (state.value()["photos"].empty()) return refuse(response, kBad, "there is no photo yet");
  const bool trial = asked.value()["trial"];
  for (const char* part : {"options", "edits"}) state.value()[part] = asked.value()[part];
  auto failed = trial ? std::nullopt : drafts_.set_state(id, state.value());
  if (failed) return refuse(response, kFull, failed->detail);
  response.set_chunked_content_provider(
      "text/event-stream", [this, id, request = for_worker(id, state.value(), "measure")](
                               std::size_t, httplib::DataSink& sink) {
        const auto tell = [&sink](const char* name, const json& data) {
          const std::string text = event(name, data);
          sink.write(text.data(), text.size());
        };
        const json out =
            workers_.ask(id, request, [&](const json& said) { tell("progress", said); });
        if (out.contains("view")) {
          tell("done", out["view"]);
        } else {
          tell("failed", out);
        }
        sink.done();
        return true;
      });
}

void Site::Server::drop(const std::string& id, Response& response) {
  workers_.forget(id);
  drafts_.drop(id);
  answer(response, json::object());
}

void Site::Server::save(const std::string& id, const std::string& body, Response& response) {
  constexpr std::size_t kMostResult = 8'000'000;
  const json words = json::parse(body, nullptr, false);
  if (!words.is_object()) return refuse(response, kBad, "say what pane this is");
  const auto state = drafts_.state(id);
  if (!state.ok()) return refuse(response, state.error());
  const json kept = workers_.ask(id, for_worker(id, state.value(), "keep"), [](const json&) {});
  if (!kept.contains("view")) return answer(response, kept, kCannot);
  const auto result = read_file(drafts_.file(id, "result.json"), kMostResult);
  const auto small = read_file(drafts_.file(id, "small.jpg"), kMostResult);
  if (!result.ok() || !small.ok()) return refuse(response, kBroken, "try again");
  std::vector<std::pair<std::string, std::string>> photos;
  for (const json& photo : state.value()["photos"]) {
    auto bytes = read_file(drafts_.file(id, photo["file"]), Drafts::kMostPhotoBytes);
    if (bytes.ok()) photos.emplace_back(photo["name"], std::move(bytes).value());
  }
  // The draft stays until the page says that it heard of this.
  give(response, shelf_.save(words, result.value(), photos, small.value()));
}

Site::Site(SiteOptions options) : server_(std::make_unique<Server>(std::move(options))) {}
Site::~Site() = default;
Result<int> Site::bind() { return server_->bind(); }
std::string Site::pairing_code() const { return server_->pairing_code(); }
void Site::run() { server_->run(); }
void Site::stop() { server_->stop(); }

}  // namespace panecard::app::page
