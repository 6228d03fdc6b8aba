// A small layout made up for tests of what is written and drawn of it.
#pragma once

#include <algorithm>

#include "film/film.h"

namespace panecard::sample {

/// A half disc on a rectangle, its arc on the right: not its own mirror image.
inline film::FilmPiece tongue() {
  film::FilmPiece piece;
  piece.name = "tongue";
  piece.boundary = "glass";
  piece.arcs = {{{0, 0}, 0}, {{100, 0}, 1}, {{100, 80}, 0}, {{0, 60}, 0.1}};
  piece.cut = film::shape_of(piece);
  piece.area_mm2 = signed_area_mm2(piece.cut);
  piece.sides = {{"top", "top", 0, 1, 2, 0.5, 0.7}, {"bottom", "bottom", 1, 0, 2, 0, 0.3}};
  return piece;
}

/// One of them on a roll, turned over, the other on a leftover.
inline film::FilmLayout two_tongues() {
  film::FilmLayout out;
  out.currency = "EUR";
  out.gap_mm = 3, out.edge_mm = 5;
  film::FilmStrip shelf, roll;
  shelf.film = {"shelf 2", "carbon 35", 200, 300, 0, true};
  shelf.length_mm = 180, shelf.bound_mm = 150;
  shelf.rest = {{180, 0}, 120, 200};
  roll.film = {"roll A", "carbon 35", 400, 5000, 9.5, false};
  roll.length_mm = 380, roll.bound_mm = 200, roll.cost = 3.61;
  roll.waste_mm2 = 120000;
  roll.rest = {{380, 0}, 4620, 400};
  roll.largest_within = {{0, 200}, 380, 190};
  out.pieces = {film::laid(tongue())};
  out.pieces[0].copies = 2;
  layout::Placed one, two;
  one.shift = {20, 20};
  two.turn_deg = 90, two.mirrored = true, two.shift = {260, 200};
  shelf.copies = {film::laid(tongue(), one, 0, 1)};
  roll.copies = {film::laid(tongue(), two, 0, 2)};
  roll.findings = {{"fits_barely", "it fits barely"}};
  out.strips = {shelf, roll};
  return out;
}

/// How far a corner of `a` lies from the nearest side of `b`, at the worst.
inline double furthest_between(const PolygonMm& a, const PolygonMm& b) {
  double most = 0;
  for (const PointMm p : a) {
    double least = 1e9;
    for (std::size_t i = 0; i < b.size(); ++i) {
      least = std::min(least, distance_to_segment(p, b[i], b[(i + 1) % b.size()]));
    }
    most = std::max(most, least);
  }
  return most;
}

}  // namespace panecard::sample
