#include <arpa/inet.h>
#include <ifaddrs.h>
#include <malloc.h>
#include <net/if.h>
#include <netinet/in.h>
#include <pthread.h>
#include <qrencode.h>
#include <signal.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <array>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <thread>

#include "app/app.h"
#include "app/data_places.h"
#include "app/page/site.h"
#include "app/page/worker.h"

namespace panecard::app {
namespace {

struct Options {
  int port = 8765;
  std::string data, library;
  bool lan = false;
};

/// IPv4 addresses of this computer that others can reach.
std::vector<std::string> addresses() {
  std::vector<std::string> out;
  ifaddrs* all = nullptr;
  if (::getifaddrs(&all) != 0) return out;
  for (const ifaddrs* one = all; one != nullptr; one = one->ifa_next) {
    const bool usable = one->ifa_addr != nullptr && one->ifa_addr->sa_family == AF_INET &&
                        (one->ifa_flags & IFF_UP) != 0 && (one->ifa_flags & IFF_LOOPBACK) == 0;
    if (!usable) continue;
    std::array<char, INET_ADDRSTRLEN> text{};
    const auto* four = reinterpret_cast<const sockaddr_in*>(one->ifa_addr);
    ::inet_ntop(AF_INET, &four->sin_addr, text.data(), text.size());
    out.emplace_back(text.data());
  }
  ::freeifaddrs(all);
  return out;
}

/// Blocks the signals that ask for an end in this thread and all it starts, and waits for one.
class EndSignals {
 public:
  EndSignals() {
    sigemptyset(&set_);
    for (const int one : {SIGINT, SIGTERM, SIGHUP}) sigaddset(&set_, one);
    ::pthread_sigmask(SIG_BLOCK, &set_, nullptr);
  }
  void wait() const {
    int which = 0;
    ::sigwait(&set_, &which);
  }

 private:
  sigset_t set_{};
};

/// Two rows of the code's modules in one line of half blocks, with the quiet zone that ISO/IEC
/// 18004 asks for: dark on light whatever the terminal's colours.
void show_qr(const std::string& text) {
  const std::unique_ptr<QRcode, decltype(&QRcode_free)> code(
      QRcode_encodeString8bit(text.c_str(), 0, QR_ECLEVEL_L), &QRcode_free);
  if (!code) return;
  constexpr int kQuiet = 4;
  const int width = code->width;
  const auto dark = [&](int x, int y) {
    const bool inside = x >= 0 && y >= 0 && x < width && y < width;
    return inside && (code->data[y * width + x] & 1U) != 0;
  };
  for (int y = -kQuiet; y < width + kQuiet; y += 2) {
    std::string line = "\x1b[30;107m";
    for (int x = -kQuiet; x < width + kQuiet; ++x) {
      const bool above = dark(x, y), below = dark(x, y + 1);
      line += above ? (below ? "█" : "▀") : (below ? "▄" : " ");
    }
    std::printf("%s\x1b[0m\n", line.c_str());
  }
}

void show_pairing(const std::string& code, const std::vector<std::string>& addresses,
                  const std::string& tail) {
  constexpr std::size_t kHalf = 4;
  for (const std::string& address : addresses) {
    std::printf("In the network: http://%s%s\n", address.c_str(), tail.c_str());
  }
  std::printf("Pair a phone with the code %s-%s\n", code.substr(0, kHalf).c_str(),
              code.substr(kHalf).c_str());
  if (!addresses.empty() && ::isatty(STDOUT_FILENO) != 0) {
    show_qr("http://" + addresses.front() + tail + "#/pair/" + code);
  }
}

/// main() keeps all memory for the next photo. Here other processes look at photos, and this one
/// runs for weeks: what a crowd needed goes back.
void give_memory_back() {
#ifdef __GLIBC__
  constexpr int kLarge = 128 << 10, kMostMaps = 65536;
  mallopt(M_MMAP_MAX, kMostMaps);
  mallopt(M_MMAP_THRESHOLD, kLarge);
  mallopt(M_TRIM_THRESHOLD, kLarge);
  mallopt(M_TOP_PAD, kLarge);
#endif
}

Outcome run(const Options& o) {
  give_memory_back();
  page::SiteOptions site_options;
  site_options.port = o.port;
  site_options.data_folder = o.data.empty() ? data_places("page").front() : o.data;
  site_options.library =
      o.library.empty() ? (std::filesystem::path(site_options.data_folder) / "shop.panes").string()
                        : o.library;
  site_options.own_names = {"127.0.0.1", "localhost"};
  std::vector<std::string> others;
  if (o.lan) {
    others = addresses();
    site_options.own_names.insert(others.begin(), others.end());
    site_options.host = "0.0.0.0";
    site_options.pairing = true;
  }
  int port_number = o.port;
  site_options.new_code = [&others, &port_number](const std::string& code) {
    std::puts("Ten wrong codes were tried; the code is another one now.");
    show_pairing(code, others, ":" + std::to_string(port_number) + "/");
    std::fflush(stdout);
  };
  const EndSignals signals;
  page::Site site(site_options);
  const auto port = site.bind();
  if (!port.ok()) return port.error();
  port_number = port.value();
  const std::string tail = ":" + std::to_string(port_number) + "/";
  std::printf("The page is at http://127.0.0.1%s\n", tail.c_str());
  if (o.lan) show_pairing(site.pairing_code(), others, tail);
  std::puts("ready");
  std::fflush(stdout);
  std::thread answering([&site] { site.run(); });
  signals.wait();
  site.stop();
  answering.join();
  return std::nullopt;
}

}  // namespace

void add_serve(CLI::App& root, Outcome& outcome) {
  const auto o = std::make_shared<Options>();
  CLI::App* command = root.add_subcommand("serve", "a page for the phone or the browser");
  command->add_option("--port", o->port, "0: any that is free")
      ->check(CLI::Range(0, 65535))
      ->capture_default_str();
  command->add_option("--library", o->library, "the library's file; else one of the page's own");
  command->add_option("--data", o->data, "the folder for photos that are being measured");
  command->add_flag("--lan", o->lan, "for paired phones in the same network as well");
  command->callback([o, &outcome] { outcome = run(*o); });
  root.add_subcommand(page::kWorkerCommand, "")->group("")->callback([] { page::run_worker(); });
}

}  // namespace panecard::app
