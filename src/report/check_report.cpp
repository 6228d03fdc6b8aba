#include <algorithm>
#include <cmath>

#include "report/report.h"

namespace panecard::report {
namespace {

using check::Verdict;
using outline::Dimension;

struct Line {
  std::string name, value, u95, note;
};

const char* sign_of_verdict(Verdict v) {
  return v == Verdict::yes ? "fits" : v == Verdict::no ? "does not fit" : "cannot tell";
}

std::string limits_words(const check::Decision& d, Units u) {
  const auto said = [&](double mm) { return say_length({mm, d.value.size.u95}, u).value; };
  return said(d.lower_mm) + " to " + said(d.upper_mm) + " " + length_unit(u);
}

std::string table_of(const std::vector<Line>& lines) {
  std::size_t name = 0, value = 0, u95 = 0;
  for (const Line& l : lines) {
    name = std::max(name, count_characters(l.name));
    value = std::max(value, l.value.size());
    u95 = std::max(u95, l.u95.size());
  }
  std::string out;
  for (const Line& l : lines) {
    out += "  " + pad_right(l.name, name) + "  " + pad_left(l.value, value) + " \u00b1 " +
           pad_right(l.u95, u95) + " " + l.note + "\n";
  }
  return out;
}

std::string warnings_words(const std::vector<Finding>& warnings) {
  std::string out;
  for (const Finding& f : warnings) {
    out += "  ! " + clean(f.text, 400) + " [" + clean(f.code, 40) + "]\n";
  }
  return out;
}

constexpr const char* kSourcesUnknown =
    "  How errors of different points go together is not known for this file (measure it again "
    "with "
    "this version): each \u00b1 takes the worst case.\n";

}  // namespace

std::string say_squareness(const check::Rectangle& r, Units u) {
  const Dimension& mm = r[check::out_of_square].size;
  const Dimension& deg = r[check::out_of_square_deg].size;
  const Dimension size{std::abs(mm.value), mm.u95}, angle{std::abs(deg.value), deg.u95};
  const std::string said = say_length(size, u).both() + " " + length_unit(u) +
                           " over the height (" + say(angle, 2).both() + " deg), leaning to the " +
                           (mm.value > 0 ? "right" : "left");
  switch (check::is_out_of_square(r)) {
    case Verdict::yes:
      return "Out of square by " + said + ".";
    case Verdict::no:
      return "Square within what the photo can tell: " + say_length(mm, u).both() + " " +
             length_unit(u) + " over the height.";
    case Verdict::cannot_tell:
      if (const auto side = check::too_bowed(r)) {
        return "Square or not cannot be told: the " + r[*side].name + " is " +
               say_length(r[*side].size, u).both() + " " + length_unit(u) +
               "; look at the overlay of measure whether the outline lies on the edge there.";
      }
      return "Square or not cannot be told from this photo: " + say_length(mm, u).both() + " " +
             length_unit(u) + " over the height; more cards, far apart, would tell.";
  }
  return "";
}

std::string say_blank(const check::Blank& blank, Units u) {
  // Upwards, so that what is said still covers; its corners may only be sharper.
  const auto said = [u](double mm, bool up) {
    if (u == Units::mm) return to_text(mm, 0);
    constexpr double kMmPerHundredth = 0.254, kRounding = 1e-9;
    const double hundredths = mm / kMmPerHundredth;
    return fixed((up ? std::ceil(hundredths - kRounding) : std::floor(hundredths)) / 100, 2);
  };
  const auto on_a_tape = [u](double mm) {
    if (u == Units::mm) return std::string();
    constexpr double kMmPerSixteenth = 25.4 / 16, kRounding = 1e-9;
    return " (" + to_sixteenths(std::ceil(mm / kMmPerSixteenth - kRounding) * kMmPerSixteenth) +
           ")";
  };
  return "Blank to cut: " + said(blank.width_mm, true) + on_a_tape(blank.width_mm) + " x " +
         said(blank.height_mm, true) + on_a_tape(blank.height_mm) + " " + length_unit(u) +
         ", corners rounded by " + said(blank.radius_mm, false);
}

std::string say_fit(const check::Fits& fits, Units u) {
  const auto names = [&](Verdict wanted) {
    const auto found = std::find_if(fits.decisions.begin(), fits.decisions.end(),
                                    [&](const check::Decision& d) { return d.verdict == wanted; });
    const check::Decision& d = *found;
    return d.value.name + " is " + say_length(d.value.size, u).both() + " " + length_unit(u) +
           ", allowed is " + limits_words(d, u);
  };
  switch (fits.verdict) {
    case Verdict::yes:
      return "fits";
    case Verdict::no:
      return "does not fit: " + names(Verdict::no);
    case Verdict::cannot_tell: {
      // What is most uncertain against its tolerance is what an action should help.
      const check::Decision* worst = nullptr;
      for (const check::Decision& d : fits.decisions) {
        if (d.verdict != Verdict::cannot_tell) continue;
        if (worst == nullptr || d.value.size.u95 > worst->value.size.u95) worst = &d;
      }
      return "cannot tell: " + names(Verdict::cannot_tell) + "; " + what_would_help(worst->value);
    }
  }
  return "";
}

std::string say_comparison(const CompareReport& report, Units u) {
  const check::Comparison& c = report.comparison;
  const auto said = [&](const check::Difference& d) {
    return say_length({d.size_mm, d.u95_mm}, u).both() + " " + length_unit(u) + " at the " +
           d.where;
  };
  const bool more_overlap = c.overlap.size_mm > c.gap.size_mm;
  const check::Difference& most = more_overlap ? c.overlap : c.gap;
  const std::string limit =
      say_length({report.tolerance_mm, most.u95_mm}, u).value + " " + length_unit(u);
  switch (c.same) {
    case Verdict::yes:
      return "the same within " + limit;
    case Verdict::no:
      return "different: " + std::string(more_overlap ? "an overlap" : "a gap") + " of " +
             said(most) + ", allowed is " + limit;
    case Verdict::cannot_tell:
      return "cannot tell: they differ by " + said(c.worst_case) + ", allowed is " + limit +
             "; put more cards far apart on the pane and measure both again";
  }
  return "";
}

std::string to_check_table(const CheckReport& report, Units u) {
  const check::Rectangle& r = report.rectangle;
  std::string out = clean(report.name, 120) + ": " + boundary_words(report.boundary) +
                    ", held against a rectangle\n\n";
  std::vector<Line> lines;
  for (int m = 0; m < check::kMeasurands; ++m) {
    if (m == check::out_of_square_deg) continue;
    const check::Value& v = r.values[static_cast<std::size_t>(m)];
    const Said said = say_length(v.size, u);
    Line line{v.name, said.value, said.u95, length_unit(u)};
    if (m == check::out_of_square) {
      line.note += "   " + say(r[check::out_of_square_deg].size, 2).both() + " deg";
    }
    if (report.fits) {
      for (const check::Decision& d : report.fits->decisions) {
        if (d.value.name != v.name) continue;
        line.note += "   " + limits_words(d, u) + ": " + sign_of_verdict(d.verdict);
      }
    }
    lines.push_back(line);
  }
  out += table_of(lines);
  out +=
      "\n  Widths, heights and diagonals are between the sharp corners, where the lines of the "
      "sides meet. \u00b1 holds for 95 % (k = 2).\n";
  if (!report.sources_known) out += kSourcesUnknown;
  out += "  " + say_squareness(r, u) + "\n";
  out += "  " + say_blank(report.blank, u) + "; at least " +
         say_length({report.blank.least_margin_mm, 1.0}, u).value + " " + length_unit(u) +
         " to spare all round beyond the \u00b1.\n";
  if (report.fits && report.fits->turned) {
    out += "  The size was taken as height x width, as the pane stands in the photo.\n";
  }
  out += warnings_words(report.warnings);
  if (report.fits) out += "  Verdict: " + say_fit(*report.fits, u) + "\n";
  return out;
}

std::string to_compare_table(const CompareReport& report, Units u) {
  const check::Comparison& c = report.comparison;
  std::string out = clean(report.first, 120) + (report.mirrored ? ", mirrored," : "") + " on " +
                    clean(report.second, 120) + "\n\n";
  std::vector<Line> lines;
  for (const auto* d : {&c.gap, &c.overlap}) {
    const Said said = say_length({d->size_mm, d->u95_mm}, u);
    lines.push_back({d == &c.gap ? "largest gap" : "largest overlap", said.value, said.u95,
                     length_unit(u) + (d->size_mm > 0 ? "   " + d->where : "")});
  }
  out += table_of(lines);
  out += "\n  Overlap: the first reaches beyond the second. Root mean square of all: " +
         say_length({c.rms_mm, 0.01}, u).value + " " + length_unit(u) + ".\n";
  out += c.within_u95 ? "  No difference beyond what the two measurements may be off by.\n"
                      : "  They differ by more than the two measurements may be off by.\n";
  if (!report.sources_known) out += kSourcesUnknown;
  out += warnings_words(report.warnings);
  return out + "  Verdict: " + say_comparison(report, u) + "\n";
}

}  // namespace panecard::report
