// The library's commands as a script sees them.
#include <doctest/doctest.h>

#include <algorithm>
#include <string>
#include <vector>

#include "app/program.h"
#include "check/panes.h"
#include "library/results.h"
#include "support/folder.h"

using panecard::support::Folder;
using panecard::tests::check_fails;
using panecard::tests::panecard_with;
using panecard::tests::Run;
namespace library = panecard::library;
namespace panes = panecard::check::test;

namespace {

Run in_library(const Folder& folder, std::vector<std::string> words) {
  words.insert(words.begin() + 1, folder / "shop.panes");
  words.insert(words.begin(), "library");
  return panecard_with(std::move(words));
}

std::string result_file(const Folder& folder, const std::string& name,
                        const panecard::check::Shape& shape, int card) {
  return folder.write(name, library::test::result(shape, name, card));
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("library: a pane is added, found by words and by shape, changed, restored and exported") {
  const Folder folder;
  const auto shape = panes::shape_of(panes::invented(4));
  const std::string file = result_file(folder, "a.json", shape, 1);
  const Run added =
      in_library(folder, {"add", file, "--make", "Norden", "--model", "Kuma", "--years",
                          "2017-2022", "--window", "front door", "--side", "left"});
  CHECK(added.status == 0);
  CHECK(has(added.out, "measurement 1 of pane 1, its pattern now"));
  CHECK(has(in_library(folder, {"add", file, "--make", "X", "--window", "y"}).out, "skipped"));
  CHECK(has(in_library(folder, {"find", "nroden", "2019"}).out,
            "Norden Kuma 2017-2022, front door left"));
  const Run alike =
      in_library(folder, {"find", "--like", file, "--inches", "--json", folder / "f.json"});
  CHECK(has(alike.out, "the same within the uncertainty"));
  CHECK(has(alike.out, " in"));
  CHECK(has(panecard::support::bytes_of(folder / "f.json"), "\"within_u95\": true"));
  CHECK(in_library(folder, {"edit", "1", "--notes", "thick", "--reason", "seen"}).status == 0);
  check_fails(in_library(folder, {"edit", "1", "--notes", "thick"}), 2);
  CHECK(in_library(folder, {"restore", "1", "2"}).status == 0);
  CHECK(has(in_library(folder, {"history", "1"}).out, "notes: seen"));
  const Run shown = in_library(folder, {"show", "1", "--result", folder / "back.json"});
  CHECK(has(shown.out, "pattern of measurement 1"));
  CHECK(panecard_with({"check", folder / "back.json", "--with", file}).status == 0);
  CHECK(in_library(folder, {"export", folder / "out"}).status == 0);
  CHECK(panecard_with({"library", "import", folder / "new.panes", folder / "out"}).status == 0);
  CHECK(in_library(folder, {"backup", folder / "copy.panes"}).status == 0);
  CHECK(has(panecard_with({"library", "check", folder / "copy.panes"}).out, "all is well"));
}

TEST_CASE("library: measurements are combined, and two that disagree are not") {
  const Folder folder;
  const auto shape = panes::shape_of(panes::invented(4));
  const auto other = panes::shape_of(panes::turned(panes::invented(4), 0.1));
  auto wrong = panes::shape_of(panes::invented(4));
  for (auto& p : wrong.contour.points) {
    if (p.x < 60) p.x -= 5;
  }
  const auto add = [&](const std::string& name, const panecard::check::Shape& s, int card) {
    const std::string file = result_file(folder, name, s, card);
    return in_library(folder, {"add", file, "--make", "Norden", "--window", "quarter"}).status;
  };
  CHECK(add("a.json", shape, 1) == 0);
  check_fails(in_library(folder, {"combine", "1"}), 2);
  CHECK(add("b.json", other, 2) == 0);
  const Run combined = in_library(folder, {"combine", "1"});
  CHECK(combined.status == 0);
  CHECK(has(combined.out, "the pattern now, revision 3"));
  CHECK(add("c.json", wrong, 3) == 0);
  const Run disagree = in_library(folder, {"combine", "1", "--json", "-"});
  CHECK(disagree.status == 1);
  CHECK(has(disagree.err, "measurement 3 disagrees"));
  CHECK(has(disagree.out, "\"disagrees\": 3"));
  CHECK(in_library(folder, {"combine", "1", "--without", "3"}).status == 0);
}

TEST_CASE(
    "library: what two shops changed is named in one line, status 1, and nothing is overwritten") {
  const Folder folder;
  const std::string file = result_file(folder, "a.json", panes::shape_of(panes::invented(4)), 1);
  const std::string theirs = folder / "theirs.panes";
  CHECK(in_library(folder, {"add", file, "--make", "Norden", "--window", "quarter"}).status == 0);
  CHECK(in_library(folder, {"export", folder / "first"}).status == 0);
  CHECK(panecard_with({"library", "import", theirs, folder / "first"}).status == 0);
  const auto note = [&](const std::string& library, const std::string& words) {
    const Run run =
        panecard_with({"library", "edit", library, "1", "--notes", words, "--reason", words});
    CHECK(run.status == 0);
  };
  note(theirs, "theirs");
  note(folder / "shop.panes", "ours");
  CHECK(panecard_with({"library", "export", theirs, folder / "second"}).status == 0);
  const Run clash = in_library(folder, {"import", folder / "second"});
  CHECK(clash.status == 1);
  CHECK(has(clash.err, "1 changed both here and there, kept as here: pane 1, 'Norden, quarter'"));
  CHECK(std::count(clash.err.begin(), clash.err.end(), '\n') == 1);
  CHECK(has(in_library(folder, {"show", "1"}).out, "ours"));
  CHECK(in_library(folder, {"import", folder / "second", "--theirs"}).status == 0);
  CHECK(has(in_library(folder, {"show", "1"}).out, "theirs"));
}

TEST_CASE("library: what cannot be done is said in one line") {
  const Folder folder;
  check_fails(in_library(folder, {"show", "1"}), 2);
  check_fails(panecard_with({"library"}), 2);
  folder.write("text", std::string(3000, 'x'));
  check_fails(panecard_with({"library", "find", folder / "text", "door"}), 2);
  check_fails(in_library(folder, {"add", folder / "none.json", "--make", "a", "--window", "b"}), 2);
  check_fails(panecard_with({"library", "import", folder / "l", folder / "nowhere"}), 2);
}
