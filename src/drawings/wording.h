// The report room's numbers and sentences by their short names: every drawing is full of them.
#pragma once

#include "report/report.h"

namespace panecard::drawings {

using report::area_unit;
using report::boundary_words;
using report::length_unit;
using report::on_paper;
using report::pieces_on;
using report::say;
using report::say_along;
using report::say_amount;
using report::say_area;
using report::say_bend;
using report::say_blank;
using report::say_bound;
using report::say_comparison;
using report::say_cost;
using report::say_cost_in_all;
using report::say_film;
using report::say_film_length;
using report::say_film_rectangle;
using report::say_fit;
using report::say_length;
using report::say_piece_area;
using report::say_piece_size;
using report::say_rest;
using report::say_size_u95;
using report::say_squareness;
using report::say_waste;
using report::say_ways;
using report::say_which;
using report::short_name;
using report::side_words;
using report::size_of_piece;

}  // namespace panecard::drawings
