#include "app/page/wire.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <cstring>

namespace panecard::app::page {
namespace {

using Clock = std::chrono::steady_clock;

constexpr int kPause_ms = 10'000;                  // the longest that either side may be silent
constexpr auto kWhole = std::chrono::minutes(10);  // a large photo over a bad wireless link
constexpr std::size_t kMostLines = 256;            // of the head
constexpr std::size_t kMostHead = 32 << 10;

class BoundedStream : public httplib::Stream {
 public:
  explicit BoundedStream(socket_t socket) : socket_(socket), until_(Clock::now() + kWhole) {}

  bool is_readable() const override { return at_ < filled_ || wait(POLLIN, 0); }
  bool is_writable() const override { return wait(POLLOUT, kPause_ms); }

  ssize_t read(char* to, std::size_t size) override {
    if (at_ == filled_) {
      if (Clock::now() > until_ || !wait(POLLIN, kPause_ms)) return -1;
      const ssize_t got = ::recv(socket_, buffer_.data(), buffer_.size(), 0);
      if (got <= 0) return got;
      at_ = 0;
      filled_ = static_cast<std::size_t>(got);
    }
    const std::size_t count = std::min(size, filled_ - at_);
    std::memcpy(to, buffer_.data() + at_, count);
    at_ += count;
    return within_head(to, count) ? static_cast<ssize_t>(count) : -1;
  }

  ssize_t write(const char* from, std::size_t size) override {
    if (!is_writable()) return -1;
    return ::send(socket_, from, size, MSG_NOSIGNAL);
  }

  void get_remote_ip_and_port(std::string& ip, int& port) const override {
    address(::getpeername, ip, port);
  }
  void get_local_ip_and_port(std::string& ip, int& port) const override {
    address(::getsockname, ip, port);
  }
  socket_t socket() const override { return socket_; }

 private:
  bool wait(short what, int most_ms) const {
    pollfd one{socket_, what, 0};
    return ::poll(&one, 1, most_ms) > 0;
  }

  /// The library reads the head byte by byte; the body comes in larger pieces and is bounded by
  /// whoever takes it.
  bool within_head(const char* bytes, std::size_t count) {
    if (in_body_) return true;
    if (count != 1) return in_body_ = true;
    if (*bytes == '\n') {
      in_body_ = blank_;
      blank_ = true;
      return ++lines_ <= kMostLines && ++head_ <= kMostHead;
    }
    if (*bytes != '\r') blank_ = false;
    return ++head_ <= kMostHead;
  }

  template <typename Ask>
  void address(Ask ask, std::string& ip, int& port) const {
    sockaddr_storage where{};
    socklen_t size = sizeof(where);
    if (ask(socket_, reinterpret_cast<sockaddr*>(&where), &size) != 0) return;
    std::array<char, INET6_ADDRSTRLEN> text{};
    if (where.ss_family == AF_INET) {
      const auto* four = reinterpret_cast<const sockaddr_in*>(&where);
      ::inet_ntop(AF_INET, &four->sin_addr, text.data(), text.size());
      port = ntohs(four->sin_port);
    }
    ip = text.data();
  }

  socket_t socket_;
  Clock::time_point until_;
  std::array<char, 16 << 10> buffer_{};
  std::size_t at_ = 0, filled_ = 0, head_ = 0, lines_ = 0;
  bool in_body_ = false, blank_ = false;
};

/// Closing on unread bytes would reset the connection and take the answer with it.
void drain(socket_t socket) {
  constexpr int kMostReads = 64, kWait_ms = 200;
  std::array<char, 16 << 10> sink{};
  ::shutdown(socket, SHUT_WR);
  for (int i = 0; i < kMostReads; ++i) {
    pollfd one{socket, POLLIN, 0};
    if (::poll(&one, 1, kWait_ms) <= 0 || ::recv(socket, sink.data(), sink.size(), 0) <= 0) break;
  }
}

}  // namespace

bool BoundedServer::process_and_close_socket(socket_t socket) {
  bool answered = false;
  {
    BoundedStream stream(socket);
    bool closed = false;
    answered = process_request(stream, true, closed, nullptr);
  }
  drain(socket);
  ::close(socket);
  return answered;
}

}  // namespace panecard::app::page
