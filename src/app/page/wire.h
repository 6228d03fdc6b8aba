// The HTTP server's connections, with bounds that the library leaves open.
#pragma once

#include <httplib.h>

namespace panecard::app::page {

/// One request per connection, headers of bounded size, a bounded time for the whole request: a
/// slow, endless or malformed one costs a thread for a while and nothing else.
class BoundedServer : public httplib::Server {
 private:
  bool process_and_close_socket(socket_t socket) override;
};

}  // namespace panecard::app::page
