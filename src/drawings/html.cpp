#include "drawings/html.h"

#include "drawings/base64.h"
#include "drawings/wording.h"

namespace panecard::drawings {
namespace {

// The drawings bring their colours as attributes, which any rule outranks: dark mode repaints them.
constexpr const char* kStyle = R"(
:root{color-scheme:light dark;--ink:#1f262d;--quiet:#66707a;--rule:#c4cbd1;--paper:#fff;--accent:#e0540b;--pale:#eef0f2;--tint:#fbe2d2}
@media screen and (prefers-color-scheme:dark){
:root{--ink:#e6e9ec;--quiet:#9aa4ad;--rule:#47505a;--paper:#14181c;--accent:#ff8a4a;--pale:#20262c;--tint:#4a2f20}}
*{box-sizing:border-box}
body{margin:0 auto;padding:1.5rem;max-width:60rem;background:var(--paper);color:var(--ink);
font:15px/1.5 'DejaVu Sans',Verdana,sans-serif}
h1{font-size:1.7rem;line-height:1.2;margin:0;overflow-wrap:anywhere}
h2{font-size:1.1rem;margin:2rem 0 .6rem;padding-top:.6rem;border-top:1px solid var(--rule);
background:linear-gradient(var(--accent),var(--accent)) 0 0/3.2rem 3px no-repeat;print-color-adjust:exact}
h3{font-size:1rem;margin:1.4rem 0 0;overflow-wrap:anywhere}
p{margin:.3rem 0;overflow-wrap:anywhere}
a{color:inherit}
.quiet,figcaption,th{color:var(--quiet);font-size:.86rem}
.top{display:flex;justify-content:space-between;color:var(--quiet)}
.scroll{overflow-x:auto;margin-bottom:.5rem}
table{border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:.92rem}
th{font-weight:normal;text-align:left;border-bottom:1px solid var(--rule);white-space:nowrap}
td,th{padding:.12rem .3rem .12rem 1.6rem;vertical-align:baseline}
td:first-child,th:first-child{padding-left:0}
.n{text-align:right;white-space:nowrap}
.j{padding-left:0;white-space:nowrap}
.two{display:grid;grid-template-columns:repeat(auto-fill,minmax(20rem,1fr));gap:1rem 2rem;align-items:start}
figure{margin:0}
img,svg{display:block;width:100%;height:auto;max-width:100%}
ul{margin:.3rem 0;padding-left:1.3rem}
li{margin:.2rem 0;overflow-wrap:anywhere}
.doubts{list-style:none;padding:.1rem 0 .1rem .8rem;border-left:3px solid var(--accent)}
.work{list-style:'\2610\00a0\00a0'}
.blank{display:inline-block;min-width:5rem;border-bottom:1px solid var(--ink)}
svg [fill='#1f262d']{fill:var(--ink)}svg [stroke='#1f262d']{stroke:var(--ink)}
svg [fill='#66707a']{fill:var(--quiet)}svg [stroke='#66707a']{stroke:var(--quiet)}
svg [fill='#c4cbd1']{fill:var(--rule)}svg [stroke='#c4cbd1']{stroke:var(--rule)}
svg [fill='#ffffff']{fill:var(--paper)}svg [stroke='#ffffff']{stroke:var(--paper)}
svg [fill='#eef0f2']{fill:var(--pale)}svg [fill='#fbe2d2']{fill:var(--tint)}
svg [stroke='#e0540b']{stroke:var(--accent)}
@media screen and (max-width:34rem){body{padding:.8rem}table{font-size:.74rem}th,th.n,th.j{font-size:.74rem;white-space:normal}
td,th{padding-left:.4rem;padding-right:0}.j{padding-left:.15rem}}
@media print{body{padding:0;max-width:none;font-size:10pt}section,figure,tr,li{break-inside:avoid}
h2,h3{break-after:avoid;break-inside:avoid}.long{break-inside:auto}.scroll{overflow:visible}
.two{grid-template-columns:1fr 1fr}}
)";

}  // namespace

std::string html_start(const std::string& title, const std::string& paper) {
  std::string out = "<!DOCTYPE html>\n<html xmlns=\"http://www.w3.org/1999/xhtml\" lang=\"en\">\n";
  out += "<head><meta charset=\"utf-8\"/>\n<title>" + xml(title) + "</title>\n";
  out += "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n";
  // Whatever a text might smuggle in, the browser may load nothing and run nothing.
  out +=
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src "
      "'unsafe-inline'; img-src data:\"/>\n";
  return out + "<style>@page{size:" + paper + ";margin:15mm}" + kStyle +
         "</style></head>\n<body>\n";
}

std::string html_paragraph(const std::string& words, const char* kind) {
  const std::string of_kind = kind[0] == '\0' ? "" : std::string(" class=\"") + kind + "\"";
  return "<p" + of_kind + ">" + xml(words) + "</p>\n";
}

std::string html_list(const std::vector<std::string>& items, const char* kind) {
  if (items.empty()) return {};
  std::string out = std::string("<ul class=\"") + kind + "\">\n";
  for (const std::string& item : items) out += "<li>" + xml(item) + "</li>\n";
  return out + "</ul>\n";
}

std::string html_figure(const std::string& inside, const std::string& caption) {
  return "<figure>" + inside +
         (caption.empty() ? "" : "<figcaption>" + xml(caption) + "</figcaption>") + "</figure>\n";
}

std::string html_image(const JobPhoto& photo, const std::string& what) {
  return "<img alt=\"" + xml(what) + "\" width=\"" + std::to_string(photo.width_px) +
         "\" height=\"" + std::to_string(photo.height_px) + "\" src=\"data:image/jpeg;base64," +
         base64(photo.jpeg) + "\"/>";
}

}  // namespace panecard::drawings
