#include "photo/photo.h"
