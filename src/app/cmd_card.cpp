#include <CLI/CLI.hpp>
#include <memory>
#include <opencv2/aruco.hpp>

#include "app/app.h"
#include "drawings/drawings.h"

namespace panecard::app {
namespace {

struct Options {
  std::string page = "cards", paper = "a4", out;
  int first = 0;
  double printed_bar_mm = 100;
};

std::vector<bool> marker_bits(int id) {
  constexpr int kModules = 7;  // 5 x 5 bits and a border of one
  cv::Mat picture;
  cv::aruco::drawMarker(cv::aruco::getPredefinedDictionary(cv::aruco::DICT_5X5_1000), id, kModules,
                        picture, 1);
  std::vector<bool> black;
  for (int row = 0; row < kModules; ++row) {
    for (int column = 0; column < kModules; ++column) {
      black.push_back(picture.at<unsigned char>(row, column) == 0);
    }
  }
  return black;
}

Outcome make_page(const Options& options) {
  const std::string format = ending(options.out);
  if (format != ".pdf" && format != ".svg") {
    return Error{Code::bad_usage, "--out " + options.out + ": name a .pdf or an .svg file"};
  }
  Outputs outputs;
  if (auto failed = outputs.plan(options.out, {})) return failed;
  const auto job = drawings::checked(
      {options.page == "sheet" ? drawings::CardPage::sheet : drawings::CardPage::cards,
       options.paper == "letter" ? drawings::Paper::letter : drawings::Paper::a4, options.first,
       options.printed_bar_mm});
  if (!job.ok()) return job.error();
  outputs.set(options.out, format == ".pdf" ? drawings::card_page_pdf(job.value(), marker_bits)
                                            : drawings::card_page_svg(job.value(), marker_bits));
  return outputs.write("print '" + options.out +
                       "' at 100 %, without fitting to the page, and measure its 100 mm bar\n");
}

}  // namespace

void add_card(CLI::App& root, Outcome& outcome) {
  const auto options = std::make_shared<Options>();
  CLI::App* command = root.add_subcommand("card", "make a page of reference cards to print");
  command->add_option("--page", options->page, "the coded sheet, or eight coded cards to cut out")
      ->check(CLI::IsMember({"sheet", "cards"}))
      ->capture_default_str();
  command->add_option("--paper", options->paper, "paper size")
      ->check(CLI::IsMember({"a4", "letter"}))
      ->capture_default_str();
  command->add_option("--first", options->first, "number of the first of the eight cards")
      ->capture_default_str();
  command
      ->add_option("--printed-bar", options->printed_bar_mm,
                   "what the 100 mm bar measured on a first print, to correct the printer, mm")
      ->capture_default_str();
  command->add_option("--out", options->out, "file to write, .pdf or .svg")->required();
  command->callback([options, &outcome] { outcome = make_page(*options); });
}

}  // namespace panecard::app
