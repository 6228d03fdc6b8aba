// Every JSON file that we write, held against docs/schema by python3-jsonschema.
#include <doctest/doctest.h>

#include <cstdlib>
#include <filesystem>
#include <string>
#include <vector>

#include "app/easy_photo.h"
#include "app/program.h"
#include "check/panes.h"
#include "library/results.h"
#include "support/folder.h"

using panecard::support::bytes_of;
using panecard::support::Folder;
using panecard::tests::easy_photo;
using panecard::tests::panecard_with;
namespace fs = std::filesystem;
namespace panes = panecard::check::test;

namespace {

const std::string kSource = PANECARD_SOURCE;

std::string quoted(const std::string& path) { return "'" + path + "'"; }

/// What the validator says; empty: all files are as their schema has them.
std::string objections(const Folder& folder, const std::vector<std::string>& files) {
  std::string command = "/usr/bin/python3 " + quoted(kSource + "/tests/app/validate.py") + " " +
                        quoted(kSource + "/docs/schema");
  for (const std::string& file : files) command += " " + quoted(file);
  const std::string log = folder / "objections";
  const int status = std::system((command + " > " + quoted(log) + " 2>&1").c_str());
  const std::string said = bytes_of(log);
  return status == 0 ? said : "status " + std::to_string(status) + ": " + said;
}

void must(std::vector<std::string> words, int status = 0) {
  const std::string command = words[0] + " " + words[1];
  CAPTURE(command);
  const auto run = panecard_with(std::move(words));
  CAPTURE(run.err);
  CHECK(run.status == status);
}

std::vector<std::string> exported_json(const std::string& folder) {
  std::vector<std::string> files;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    const bool json = entry.path().extension() == ".json";
    if (json && entry.path().filename() != "library.json") files.push_back(entry.path().string());
  }
  files.push_back(folder + "/library.json");
  return files;
}

}  // namespace

TEST_CASE("results, checks, pieces, layouts and stock are as their schemas say") {
  const Folder folder;
  const std::string photo = folder.write("pane.jpg", easy_photo(2));
  const std::string pane = folder / "pane.json", check = folder / "check.json",
                    same = folder / "same.json", piece = folder / "piece.json",
                    layout = folder / "layout.json", stock = folder / "stock.json";
  must({"measure", photo, "--json", pane});
  must({"check", pane, "--size", "400x300", "--json", check}, 1);
  must({"check", pane, "--with", pane, "--json", same});
  must({"piece", pane, "--set", "roll-down", "--json", piece, "--sets",
        kSource + "/calib/allowances.json"});
  fs::copy_file(kSource + "/samples/stock.json", stock);
  must({"roll", piece, "--stock", stock, "--film", "carbon 35", "--effort", "0.1", "--json", layout,
        "--commit"});
  const std::vector<std::string> files = {pane,
                                          check,
                                          same,
                                          piece,
                                          layout,
                                          stock,
                                          kSource + "/calib/allowances.json",
                                          kSource + "/calib/lenses/example-phone-a.json"};
  CHECK(objections(folder, files) == "");
}

TEST_CASE("what a library and a batch write is as their schemas say") {
  const Folder folder;
  const auto shape = panes::shape_of(panes::invented(4));
  const std::string library = folder / "l", photos = folder / "photos";
  std::vector<std::string> files;
  for (int i = 0; i < 2; ++i) {
    const std::string name = "r" + std::to_string(i) + ".json";
    const std::string file =
        folder.write(name, panecard::library::test::result(shape, name, i + 1));
    must({"library", "add", library, file, "--make", "Norden", "--window", "slider"});
  }
  fs::create_directory(photos);
  folder.write("photos/Norden 2_vent left.jpg", easy_photo(2));
  folder.write("photos/Norden 3_vent left.jpg", easy_photo(2));
  folder.write("photos/odd.jpg", "no photo");
  const auto to = [&](const std::string& name) { return files.emplace_back(folder / name); };
  must({"library", "combine", library, "1", "--json", to("combined")});
  must({"library", "find", library, "norden", "--json", to("found")});
  must({"library", "find", library, "--like", folder / "r0.json", "--json", to("alike")});
  must({"library", "show", library, "1", "--json", to("view")});
  must({"library", "show", library, "1", "--result", to("kept")});
  must({"library", "history", library, "1", "--json", to("history")});
  must({"batch", photos, "--library", library, "--json", to("batch")}, 3);
  must({"library", "export", library, folder / "out"});
  for (const std::string& file : exported_json(folder / "out")) files.push_back(file);
  CHECK(files.size() > 12);
  CHECK(objections(folder, files) == "");
}

TEST_CASE("the schemas refuse what is not so") {
  const Folder folder;
  const std::vector<std::string> wrong = {
      R"({"format": "panecard-batch", "version": 2})",
      R"({"format": "panecard-nothing", "version": 1})",
      R"({"format": "panecard-stock", "version": 1, "rolls": [{"name": "a", "width_mm": 1, "width_in": 1, "left_m": 1}]})",
      R"({"format": "panecard-allowances", "version": 1, "sets": [{"name": "a", "rest": "wide"}]})",
      R"({"format": "panecard-allowances", "version": 1, "sets": [], "more": 1})",
  };
  for (const std::string& text : wrong) {
    CAPTURE(text);
    CHECK(objections(folder, {folder.write("wrong.json", text)}) != "");
  }
  CHECK(wrong.size() == 5);
}
