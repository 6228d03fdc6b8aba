#include "outline/outline.h"
