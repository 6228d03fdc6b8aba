// For loops where much of a photo's time goes.
#pragma once

// Two versions of a function, the second for processors with AVX2, chosen when the program starts.
// Both give the same results: no multiplication is fused with an addition. Sanitizers know nothing
// of such functions.
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && \
    !defined(__SANITIZE_ADDRESS__)
#define PANECARD_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define PANECARD_WIDE
#endif
