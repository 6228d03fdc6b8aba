#include "app/page_server.h"

#include <arpa/inet.h>
#include <doctest/doctest.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cstdlib>
#include <fstream>
#include <vector>

namespace panecard::tests {
namespace {

/// Until the address stands there, or the end.
std::string first_words(int from) {
  constexpr int kPatience_ms = 20'000;
  std::string said;
  std::array<char, 4096> buffer{};
  while (said.find("ready\n") == std::string::npos) {
    pollfd one{from, POLLIN, 0};
    if (::poll(&one, 1, kPatience_ms) <= 0) break;
    const ssize_t got = ::read(from, buffer.data(), buffer.size());
    if (got <= 0) break;
    said.append(buffer.data(), static_cast<std::size_t>(got));
  }
  return said;
}

}  // namespace

PageServer::PageServer(const std::string& more) {
  std::array<int, 2> ends{};
  REQUIRE(::pipe(ends.data()) == 0);
  std::vector<std::string> words = {PANECARD_PROGRAM, "serve", "--port",    "0",
                                    "--data",         data(),  "--library", library()};
  if (!more.empty()) words.push_back(more);
  std::vector<char*> argv;
  argv.reserve(words.size() + 1);
  for (std::string& word : words) argv.push_back(word.data());
  argv.push_back(nullptr);
  pid_ = ::fork();
  REQUIRE(pid_ >= 0);
  if (pid_ == 0) {
    ::setenv("XDG_DATA_HOME", folder_.path().c_str(), 1);
    ::alarm(300);  // a hang is a failure, not a stuck build
    ::dup2(ends[1], STDOUT_FILENO);
    ::close(ends[0]);
    ::close(ends[1]);
    ::execv(PANECARD_PROGRAM, argv.data());
    ::_exit(127);
  }
  ::close(ends[1]);
  said_ = first_words(ends[0]);
  ::close(ends[0]);
  const std::string mark = "http://127.0.0.1:";
  const std::size_t at = said_.find(mark);
  REQUIRE(at != std::string::npos);
  port_ = std::atoi(said_.c_str() + at + mark.size());
}

PageServer::~PageServer() {
  if (pid_ <= 0) return;
  ::kill(pid_, SIGKILL);
  ::waitpid(pid_, nullptr, 0);
}

long PageServer::resident_kb() const {
  std::ifstream file("/proc/" + std::to_string(pid_) + "/statm");
  long size = 0, resident = 0;
  file >> size >> resident;
  return resident * (::sysconf(_SC_PAGESIZE) / 1024);
}

int PageServer::end(int signal, int most_ms) {
  ::kill(pid_, signal);
  constexpr int kStep_ms = 20;
  for (int waited = 0; waited < most_ms; waited += kStep_ms) {
    int state = 0;
    if (::waitpid(pid_, &state, WNOHANG) == pid_) {
      pid_ = -1;
      return WIFEXITED(state) ? WEXITSTATUS(state) : -1;
    }
    ::usleep(kStep_ms * 1000);
  }
  return -1;
}

std::string PageServer::raw(const std::string& bytes) const {
  const int to = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_in where{};
  where.sin_family = AF_INET;
  where.sin_port = htons(static_cast<std::uint16_t>(port_));
  where.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  REQUIRE(::connect(to, reinterpret_cast<const sockaddr*>(&where), sizeof(where)) == 0);
  for (std::size_t at = 0; at < bytes.size();) {
    const ssize_t sent = ::send(to, bytes.data() + at, bytes.size() - at, MSG_NOSIGNAL);
    if (sent <= 0) break;
    at += static_cast<std::size_t>(sent);
  }
  ::shutdown(to, SHUT_WR);
  std::string back;
  std::array<char, 64 << 10> buffer{};
  for (;;) {
    const ssize_t got = ::recv(to, buffer.data(), buffer.size(), 0);
    if (got <= 0) break;
    back.append(buffer.data(), static_cast<std::size_t>(got));
  }
  ::close(to);
  return back;
}

std::string PageServer::get(const std::string& path, const std::string& headers) const {
  return raw("GET " + path + " HTTP/1.1\r\nHost: " + host() + "\r\n" + headers + "\r\n");
}

std::string PageServer::post(const std::string& path, const std::string& body,
                             const std::string& headers) const {
  return raw("POST " + path + " HTTP/1.1\r\nHost: " + host() +
             "\r\nX-Panecard: 1\r\nContent-Length: " + std::to_string(body.size()) + "\r\n" +
             headers + "\r\n" + body);
}

int status_of(const std::string& response) {
  const std::string mark = "HTTP/1.1 ";
  return response.starts_with(mark) ? std::atoi(response.c_str() + mark.size()) : 0;
}

std::string body_of(const std::string& response) {
  const std::size_t head = response.find("\r\n\r\n");
  if (head == std::string::npos) return {};
  const std::string rest = response.substr(head + 4);
  if (response.substr(0, head).find("Transfer-Encoding: chunked") == std::string::npos) return rest;
  std::string out;
  for (std::size_t at = 0; at < rest.size();) {
    const std::size_t line = rest.find("\r\n", at);
    const std::size_t size = std::strtoul(rest.c_str() + at, nullptr, 16);
    if (line == std::string::npos || size == 0) break;
    out += rest.substr(line + 2, size);
    at = line + 2 + size + 2;
  }
  return out;
}

}  // namespace panecard::tests
