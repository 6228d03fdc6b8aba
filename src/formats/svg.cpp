#include "formats/formats.h"
