#include "lens/lens.h"
