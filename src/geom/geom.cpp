#include "geom/geom.h"
