// The process that looks at the photos of one draft, and keeps them ready while it is corrected.
#pragma once

namespace panecard::app::page {

/// Hidden command of this program that runs it: one JSON object per line in and out.
inline constexpr const char* kWorkerCommand = "page-worker";

/// Answers requests from standard input until it ends.
void run_worker();

}  // namespace panecard::app::page
