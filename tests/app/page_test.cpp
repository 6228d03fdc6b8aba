// The page's server from outside: who gets an answer, what bad requests and photos do to it, and
// that it measures what the command measures.
#include <doctest/doctest.h>
#include <signal.h>

#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <random>
#include <string>
#include <vector>

#include "app/page_server.h"
#include "app/program.h"
#include "support/folder.h"

using namespace panecard::tests;
using nlohmann::json;
using panecard::support::bytes_of;

namespace {

const std::string kSample = PANECARD_SAMPLES "/vent-small-card/photo.jpg";

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

std::string new_draft(const PageServer& server) {
  const json said = json::parse(body_of(server.post("/api/drafts", "")), nullptr, false);
  REQUIRE(said.is_object());
  return said["id"];
}

/// The data of an event of this name in an answer of server-sent events.
json event_in(const std::string& events, const std::string& name) {
  const std::string mark = "event: " + name + "\ndata: ";
  const std::size_t at = events.find(mark);
  if (at == std::string::npos) return {};
  const std::size_t from = at + mark.size();
  return json::parse(events.substr(from, events.find('\n', from) - from), nullptr, false);
}

std::string measured(const PageServer& server, const std::string& draft,
                     const std::string& body = "{}") {
  return body_of(server.post("/api/drafts/" + draft + "/measure", body));
}

std::string upload(const PageServer& server, const std::string& draft, const std::string& bytes,
                   const std::string& name = "photo.jpg") {
  return server.post("/api/drafts/" + draft + "/photos?name=" + name, bytes);
}

}  // namespace

TEST_CASE("page: answers carry the headers that keep other sites out") {
  const PageServer server;
  for (const char* path : {"/", "/page.js", "/page.css", "/api/hello", "/nowhere"}) {
    CAPTURE(path);
    const std::string answer = server.get(path);
    CHECK(status_of(answer) == (std::string(path) == "/nowhere" ? 404 : 200));
    // CSP 3: no inline script or style, no other origin, no frame.
    CHECK(has(answer, "Content-Security-Policy: default-src 'none'; script-src 'self'; "));
    CHECK_FALSE(has(answer, "unsafe"));
    CHECK(has(answer, "frame-ancestors 'none'"));
    CHECK(has(answer, "X-Content-Type-Options: nosniff"));
    CHECK(has(answer, "Referrer-Policy: no-referrer"));
  }
  const std::string page = body_of(server.get("/"));
  CHECK(has(page, "<script src=\"/page.js\" defer></script>"));
  CHECK_FALSE(has(page, "<style"));
  CHECK_FALSE(has(page, "http:"));
  CHECK_FALSE(has(page, "https:"));
  constexpr std::size_t kMostScript = 200'000;  // what the page was allowed
  CHECK(body_of(server.get("/page.js")).size() < kMostScript);
}

TEST_CASE("page: requests that another site's page could make are refused") {
  const PageServer server;
  const std::string own = "Host: " + server.host() + "\r\n";
  const std::string post = "POST /api/drafts HTTP/1.1\r\n", ours = "X-Panecard: 1\r\n",
                    none = "Content-Length: 0\r\n";
  struct Row {
    const char* what;
    std::string request;
    int status;
  };
  const std::vector<Row> rows = {
      {"a name that was made to point here", "GET / HTTP/1.1\r\nHost: films.example\r\n", 421},
      {"no name", "GET / HTTP/1.1\r\n", 421},
      {"two names", "GET / HTTP/1.1\r\n" + own + own, 421},
      {"another port", "GET / HTTP/1.1\r\nHost: 127.0.0.1:1\r\n", 421},
      {"the other own name",
       "GET / HTTP/1.1\r\nHost: localhost:" + std::to_string(server.port()) + "\r\n", 200},
      {"another site's script", post + own + ours + none + "Origin: http://films.example\r\n", 403},
      {"an opaque origin", post + own + ours + none + "Origin: null\r\n", 403},
      {"https of the same name",
       post + own + ours + none + "Origin: https://" + server.host() + "\r\n", 403},
      {"the page itself", post + own + ours + none + "Origin: http://" + server.host() + "\r\n",
       200},
      {"a form, without our header", post + own + none, 403},
      {"a picture on another site",
       "GET /api/hello HTTP/1.1\r\n" + own + "Sec-Fetch-Site: cross-site\r\n", 403},
      {"a link on another site", "GET / HTTP/1.1\r\n" + own + "Sec-Fetch-Site: cross-site\r\n",
       200},
      {"a preflight", "OPTIONS /api/drafts HTTP/1.1\r\n" + own, 405},
      {"a put", "PUT /api/drafts HTTP/1.1\r\n" + own + ours + none, 405},
      {"no length", post + own + ours, 411},
      {"two lengths", post + own + ours + none + "Content-Length: 5\r\n", 400},
      {"chunks", post + own + ours + "Transfer-Encoding: chunked\r\n", 400},
      {"packed", post + own + ours + none + "Content-Encoding: gzip\r\n", 400},
      {"a length that is none", post + own + ours + "Content-Length: ten\r\n", 400},
      {"a negative length", post + own + ours + "Content-Length: -1\r\n", 400},
  };
  for (const Row& row : rows) {
    CAPTURE(row.what);
    CHECK(status_of(server.raw(row.request + "\r\n")) == row.status);
  }
}

TEST_CASE("page: names are never paths, and nothing is listed") {
  const PageServer server;
  const std::string draft = new_draft(server);
  CHECK(status_of(upload(server, draft, "not a photo", "../../../../tmp/evil")) == 200);
  const json state = json::parse(body_of(server.get("/api/drafts/" + draft)));
  CHECK(state["photos"][0]["name"] == "evil");
  CHECK(state["photos"][0]["file"] == "photo-1");
  for (const std::string path : {"/../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/api/drafts",
                                 "/api/drafts/", "/api/drafts/..", "/api/drafts/..%2f..%2fkey",
                                 "/api/drafts/0123", "/data", "/page.js/", "/index.html%00.js"}) {
    CAPTURE(path);
    CHECK(status_of(server.get(path)) == 404);
  }
  CHECK(status_of(server.get("/api/drafts/" + draft + "/state.json")) == 404);
  CHECK(status_of(server.get("/api/drafts/" + draft + "/photo-1")) == 404);
  CHECK(status_of(server.get("/api/drafts/" + draft + "/..%2f..%2fkey")) == 404);
  const auto mode = std::filesystem::status(server.data() + "/drafts").permissions();
  CHECK((mode & (std::filesystem::perms::group_all | std::filesystem::perms::others_all)) ==
        std::filesystem::perms::none);
}

TEST_CASE("page: uploads and requests beyond their bounds are refused before they are read") {
  const PageServer server;
  const std::string draft = new_draft(server), own = "Host: " + server.host() + "\r\n";
  const std::string large = "POST /api/drafts/" + draft + "/photos HTTP/1.1\r\n" + own +
                            "X-Panecard: 1\r\nContent-Length: ";
  for (const char* length : {"67108865", "99999999999999999999999999", "18446744073709551615"}) {
    CAPTURE(length);
    CHECK(status_of(server.raw(large + length + "\r\n\r\nabc")) == 413);
  }
  CHECK(status_of(server.raw(large + "10\r\n\r\nabc")) != 200);  // ends before it is whole
  CHECK(status_of(server.get("/" + std::string(300, 'a'))) == 404);
  CHECK(status_of(server.raw("GET / HTTP/1.1\r\n" + own + "A: " + std::string(60'000, 'b') +
                             "\r\n\r\n")) != 200);
  std::string many = "GET / HTTP/1.1\r\n" + own;
  for (int i = 0; i < 2000; ++i) many += "X" + std::to_string(i) + ": y\r\n";
  CHECK(status_of(server.raw(many + "\r\n")) != 200);
  CHECK(status_of(server.post("/api/drafts/" + draft + "/measure", std::string(600'000, '['))) ==
        413);
  CHECK(status_of(server.get("/")) == 200);
}

TEST_CASE("page: a draft's options and corrections are taken as they are meant or not at all") {
  const PageServer server;
  const std::string draft = new_draft(server);
  REQUIRE(status_of(upload(server, draft, "not a photo")) == 200);
  for (const char* body :
       {"", "[]", "{", "{\"options\":[]}", "{\"options\":{\"boundary\":\"seal\"}}",
        "{\"options\":{\"boundary\":3}}", "{\"options\":{\"lens\":\"/etc/passwd\"}}",
        "{\"options\":{\"plain\":\"a4\\nb\"}}", "{\"edits\":{}}", "{\"edits\":[1]}",
        "{\"edits\":[{\"kind\":\"through\"}]}", "{\"edits\":[{\"kind\":\"x\",\"points\":[[1,2]]}]}",
        "{\"edits\":[{\"kind\":\"through\",\"points\":[[1]]}]}",
        "{\"edits\":[{\"kind\":\"through\",\"points\":[[1,1e300]]}]}",
        "{\"edits\":[{\"kind\":\"through\",\"points\":[]}]}"}) {
    CAPTURE(body);
    CHECK(status_of(server.post("/api/drafts/" + draft + "/measure", body)) == 400);
  }
}

TEST_CASE("page: what is asked of a pane that is not there gets a sentence") {
  const PageServer server;
  for (const char* path : {"/api/panes/1/pattern", "/api/panes/1/restore", "/api/panes/x/pattern",
                           "/api/panes/-1/restore", "/api/panes/1/forget"}) {
    for (const char* body :
         {"", "[]", "{}", "{\"measurement\":-1,\"revision\":-1}",
          "{\"measurement\":\"1\",\"revision\":1e99}", "{\"measurement\":1,\"revision\":1}"}) {
      CAPTURE(path);
      CAPTURE(body);
      const std::string answer = server.post(path, body);
      CHECK(status_of(answer) >= 400);
      CHECK(status_of(answer) < 500);
      CHECK(has(body_of(answer), "\"error\":"));
    }
  }
}

TEST_CASE("page: a file that is no photo gets a sentence, and the server goes on") {
  const PageServer server;
  const std::string photo = bytes_of(kSample);
  for (const std::string& bytes :
       {std::string("GIF89a"), std::string(100'000, '\xff'), photo.substr(0, photo.size() / 3),
        photo.substr(0, 2) + std::string(5000, '\0')}) {
    const std::string draft = new_draft(server);
    REQUIRE(status_of(upload(server, draft, bytes, "bad.jpg")) == 200);
    const json failed = event_in(measured(server, draft), "failed");
    CAPTURE(failed.dump());
    CHECK(has(failed.value("error", ""), "bad.jpg"));
    CHECK(failed.value("code", "") == "unreadable_file");
    CHECK_FALSE(has(failed.value("error", ""), server.data()));
    CHECK(status_of(server.get("/")) == 200);
  }
}

TEST_CASE("page: a photo that cannot be measured says why in words and by code") {
  const PageServer server;
  const std::string draft = new_draft(server);
  // The sample's cards are coded; no plain card of this size is anywhere in it.
  REQUIRE(status_of(upload(server, draft, bytes_of(kSample))) == 200);
  const auto code = [&](const std::string& options) {
    const json failed =
        event_in(measured(server, draft, "{\"options\":" + options + "}"), "failed");
    CHECK(!failed.value("error", "").empty());
    return failed.value("code", "");
  };
  CHECK(code("{\"glass_thickness\":\"40mm\"}") == "bad_usage");
  CHECK(code("{\"bow\":\"12mm\"}") == "bad_usage");
  CHECK(code("{\"boundary\":\"dots\"}") == "boundary_not_seen");
}

TEST_CASE("page: it measures what the command measures") {
  const PageServer server;
  const std::string draft = new_draft(server);
  REQUIRE(status_of(upload(server, draft, bytes_of(kSample))) == 200);
  const std::string events = measured(server, draft);
  CHECK(event_in(events, "progress")["text"] == "reading the photo");
  CHECK(has(events, "\"picture\":true,\"text\":\"following the edge of the pane\""));
  const json view = event_in(events, "done");
  REQUIRE(view.is_object());
  const panecard::support::Folder folder;
  REQUIRE(panecard_with({"measure", kSample, "--json", folder / "r.json"}).status == 0);
  const json result = json::parse(bytes_of(folder / "r.json"));
  const double step_mm = 1e-3;  // the page rounds to it
  CHECK(std::abs(view["sizes"]["long_mm"]["value"].get<double>() -
                 result["box"]["long_mm"].get<double>()) <= step_mm);
  CHECK(std::abs(view["sizes"]["long_mm"]["u95"].get<double>() -
                 result["box"]["long_u95_mm"].get<double>()) <= step_mm);
  CHECK(view["verdict"] == result["verdict"]);
  // A correction that is still being made is shown and not kept.
  const std::string edit = "{\"edits\":[{\"kind\":\"through\",\"points\":[[" +
                           view["outline"]["px"][0].dump() + "," + view["outline"]["px"][1].dump() +
                           "]],\"reach_px\":3}],\"trial\":";
  for (const bool trial : {true, false}) {
    CAPTURE(trial);
    const json put = event_in(measured(server, draft, edit + (trial ? "true}" : "false}")), "done");
    CHECK(has(put.dump(), "put_right"));
    const json kept = json::parse(body_of(server.get("/api/drafts/" + draft)));
    CHECK(kept["edits"].size() == (trial ? 0 : 1));
  }
  // The pane in the library, and a film too narrow for it: the reason keeps its code on the way
  // from the command that lays out.
  const std::string saved =
      server.post("/api/drafts/" + draft + "/save", "{\"make\":\"Norden\",\"window\":\"vent\"}");
  CAPTURE(saved);
  REQUIRE(status_of(saved) == 200);
  const std::string narrow = server.get("/api/film/roll.svg?panes=1&width=40mm");
  CHECK(status_of(narrow) == 422);
  CHECK(json::parse(body_of(narrow)).value("code", "") == "does_not_fit");
  const std::string no_width = server.get("/api/film/roll.svg?panes=1&width=wide");
  CHECK(json::parse(body_of(no_width)).value("code", "") == "bad_usage");
  const std::string picture = server.get("/api/drafts/" + draft + "/preview.jpg");
  CHECK(status_of(picture) == 200);
  CHECK(body_of(picture).starts_with("\xff\xd8"));
}

TEST_CASE("page: bad requests by the hundred neither end the server nor make it grow") {
  const PageServer server;
  const std::string draft = new_draft(server);
  const std::string good =
      "POST /api/drafts/" + draft + "/measure HTTP/1.1\r\nHost: " + server.host() +
      "\r\nX-Panecard: 1\r\nContent-Length: 17\r\n\r\n" + "{\"options\":{\"a\":1}}";
  std::mt19937 random(7);
  const auto below = [&random](std::size_t n) { return random() % n; };
  long before_kb = 0;
  const char* more = std::getenv("PANECARD_REQUESTS");  // 10000, by hand
  const int rounds = more != nullptr ? std::atoi(more) : 400;
  constexpr int kSettled = 100;
  for (int round = 0; round < rounds; ++round) {
    if (round == kSettled) before_kb = server.resident_kb();
    std::string bytes = good;
    for (std::size_t k = 0; k < 1 + below(6) && !bytes.empty(); ++k) {
      const std::size_t at = below(bytes.size());
      switch (below(4)) {
        case 0:
          bytes[at] = static_cast<char>(below(256));
          break;
        case 1:
          bytes.erase(at, 1 + below(20));
          break;
        case 2:
          bytes.insert(at, bytes.substr(below(bytes.size()), below(40)));
          break;
        default:
          bytes.resize(at + 1);
      }
    }
    (void)server.raw(bytes);
  }
  CHECK(status_of(server.get("/")) == 200);
  constexpr long kMostGrowth_kb = 8192;
  const long after_kb = server.resident_kb();
  if (more != nullptr) MESSAGE(rounds << " requests, " << before_kb << " to " << after_kb << " KB");
  CHECK(after_kb - before_kb < kMostGrowth_kb);
}

TEST_CASE("page: in the network only paired devices get past the door") {
  const PageServer server("--lan");
  CHECK(status_of(server.get("/")) == 200);
  CHECK(has(body_of(server.get("/api/hello")), "\"paired\":false"));
  CHECK(status_of(server.post("/api/drafts", "")) == 401);
  CHECK(status_of(server.get("/api/panes?q=")) == 401);
  CHECK(status_of(server.post("/api/pair", "{\"code\":\"AAAAAAAA\"}")) == 401);
  const std::string mark = "code ";
  const std::size_t at = server.said().find(mark);
  REQUIRE(at != std::string::npos);
  const std::string code = server.said().substr(at + mark.size(), 9);
  const std::string answer = server.post("/api/pair", "{\"code\":\"" + code + "\"}");
  CHECK(status_of(answer) == 200);
  CHECK(has(answer, "HttpOnly; SameSite=Strict"));
  const std::string name = "Set-Cookie: ";
  const std::size_t from = answer.find(name) + name.size();
  const std::string cookie = answer.substr(from, answer.find(';', from) - from);
  CHECK(status_of(server.post("/api/drafts", "", "Cookie: " + cookie + "\r\n")) == 200);
  for (std::size_t k = cookie.find('=') + 1; k < cookie.size(); k += 7) {
    std::string forged = cookie;
    forged[k] = forged[k] == '1' ? '2' : '1';
    CAPTURE(forged);
    CHECK(status_of(server.post("/api/drafts", "", "Cookie: " + forged + "\r\n")) == 401);
  }
}

TEST_CASE("page: ten wrong codes make the shown one worthless") {
  const PageServer server("--lan");
  const std::string mark = "code ";
  const std::string code = server.said().substr(server.said().find(mark) + mark.size(), 9);
  for (int i = 0; i < 10; ++i) {
    CHECK(status_of(server.post("/api/pair", "{\"code\":\"22222222\"}")) == 401);
  }
  CHECK(status_of(server.post("/api/pair", "{\"code\":\"" + code + "\"}")) == 401);
}

TEST_CASE("page: it ends at once and cleanly when told to, also in the middle of work") {
  for (const int signal : {SIGINT, SIGTERM}) {
    PageServer server;
    CHECK(server.end(signal, 5000) == 0);
  }
  PageServer server;
  const std::string draft = new_draft(server);
  REQUIRE(status_of(upload(server, draft, bytes_of(kSample))) == 200);
  const std::string data = server.data() + "/drafts/" + draft;
  CHECK(server.end(SIGTERM, 5000) == 0);
  for (const auto& entry : std::filesystem::directory_iterator(data)) {
    const std::string name = entry.path().filename().string();
    CAPTURE(name);
    CHECK((name == "state.json" || name == "photo-1"));
  }
}
