#include "card/card.h"
