#include <algorithm>
#include <array>
#include <functional>

#include "harness/report/html.h"
#include "harness/report/page.h"
#include "harness/report/plot.h"
#include "harness/report/text.h"
#include "harness/verdict/wording.h"

namespace dawnrig::report {
namespace {

constexpr std::array kCautions = {
    "Local electrical codes, the instructions of the battery's and the panel's maker, and the judgement of a licensed "
    "person on site come before anything on these pages. Nothing here certifies an installation.",
    "The device was judged on synthesised sense voltages, with no power in the circuit. A pass says that the firmware "
    "decides rightly; it says nothing about whether switches, fuses, terminals or heat sinks survive.",
    "A lead-acid battery gives off hydrogen while it charges, and a few per cent of it in air explode. Ventilate, keep "
    "sparks "
    "and flames away, and switch the charger off before a clamp is touched. Wear eye protection: the acid blinds.",
    "A battery delivers hundreds of amperes into a short circuit. Take off rings and watches, use insulated tools, and "
    "put a "
    "fuse rated for direct current close to its terminal.",
    "Lithium cells need a battery management system of their own. Never charge them below 0 °C or beyond the maker's "
    "cell "
    "voltage, and never unattended with firmware that is still on trial.",
    "A panel is live whenever light falls on it and cannot be switched off. Cover it and measure before touching; "
    "never "
    "part a connector under load: a direct-current arc does not go out by itself. Cold and cloud edges raise it above "
    "its label.",
    "Go on in small steps: real board without power, then a current-limited supply, and a real battery last, fused, "
    "ventilated and attended. Try faults such as a pulled battery on hardware only if it is rated for them.",
};

std::string counts_text(const Device& device) {
  std::string text;
  for (const Verdict verdict : {Verdict::kFail, Verdict::kInvalid, Verdict::kVacuous, Verdict::kPass}) {
    const auto at = device.counts.find(verdict);
    if (at == device.counts.end()) continue;
    if (!text.empty()) text += ", ";
    text += std::to_string(at->second) + " " + std::string{verdict::text_of(verdict)};
  }
  return text.empty() ? "no requirement was judged" : text;
}

std::string device_box(const Device& device, const Results& results) {
  std::string html = "<div class=\"device " + std::string{class_of(device.overall)} + "\">";
  html += element("div", "name", capitalised(column_name(device, results)));
  html += element("div", "word", verdict::text_of(device.overall));
  html += element("div", "", counts_text(device));
  html += element("div", "soft small",
                  std::to_string(device.tests) + (device.tests == 1 ? " test, " : " tests, ") +
                      span_text(device.simulated_s) + " of simulated time");
  return html + "</div>";
}

std::string wrong_item(Verdict verdict, const std::string& where, const std::string& what,
                       const std::string& more = "") {
  return "<li>" + badge(verdict) + "<div>" + where + "<div>" + escaped(what) + "</div>" + more + "</div></li>";
}

/// Where to look: the test, and when it was at its worst.
std::string where_seen(const Judged& judged) {
  const std::string when = judged.worst.count() > 0 ? ", at " + verdict::printed_time(judged.worst) : "";
  return element("div", "soft small", "Test " + judged.test + when + ".");
}

/// Everything that is no PASS, one sentence each: what, when, by how much; and the first of the FAILs as a picture.
std::string what_went_wrong(const Results& results) {
  std::string items;
  bool shown = false;
  const auto add_device_troubles = [&](Verdict verdict) {
    for (const Device& device : results.devices) {
      for (const Trouble& trouble : device.troubles) {
        if (trouble.verdict != verdict) continue;
        items +=
            wrong_item(verdict, "<b>" + escaped(column_name(device, results)) + "</b>: test " + escaped(trouble.test),
                       trouble.text);
      }
    }
  };
  for (const Verdict verdict : {Verdict::kFail, Verdict::kInvalid, Verdict::kVacuous}) {
    for (const Row& row : results.rows) {
      for (std::size_t d = 0; d < results.devices.size(); ++d) {
        const Judged* judged = row.worst_on(d);
        if (judged == nullptr || judged->verdict != verdict) continue;
        const std::string picture = verdict == Verdict::kFail && !shown ? plot_svg(*judged) : "";
        shown = shown || !picture.empty();
        items += wrong_item(verdict,
                            "<b>" + escaped(column_name(results.devices[d], results)) + "</b>: <a href=\"#" +
                                anchor_of(row) + "\">" + escaped(row.sentence) + "</a>",
                            as_sentence(judged->reason), where_seen(*judged) + picture);
      }
    }
    add_device_troubles(verdict);
  }
  if (results.devices.empty()) items += wrong_item(Verdict::kVacuous, "", "There are no results to report.");
  if (items.empty()) {
    return "<section class=\"wrong quiet\"><p>Nothing went wrong: every requirement that was judged holds, with the "
           "margins below.</p></section>";
  }
  return "<section class=\"wrong\"><h2>What went wrong</h2><ul>" + items + "</ul></section>";
}

/// The requirements that hold by the least, of all devices: where the next change will be felt first.
std::string closest(const Results& results) {
  constexpr std::size_t kShown = 5;
  std::string rows;
  std::size_t shown = 0;
  for (const Row& row : results.rows) {
    // A count that must be zero and is zero has no margin that could shrink.
    if (row.worst().verdict != Verdict::kPass || row.worst().margin <= 0 || shown == kShown) continue;
    ++shown;
    rows += "<tr><td><a href=\"#" + anchor_of(row) + "\">" + escaped(row.sentence) + "</a></td>" +
            element("td", "number", limit_text(row.worst())) + element("td", "number", measured_text(row.worst())) +
            element("td", "number", margin_text(row.worst())) + element("td", "", row.confidence) + "</tr>";
  }
  if (rows.empty()) return "";
  return "<section><h2>Closest to its limit</h2><table class=\"small\"><thead><tr><th>what must hold</th><th "
         "class=\"number\">limit</th><th class=\"number\">measured</th><th class=\"number\">margin</th><th>the limit "
         "is</th></tr></thead><tbody>" +
         rows + "</tbody></table></section>";
}

std::string file_and_hash(const Hashed& hashed) {
  return escaped(std::filesystem::path{hashed.file}.filename().string()) + " <code>" +
         escaped(short_hash(hashed.sha256)) + "</code>";
}

std::string seeds_text(const Device& device) {
  std::string text;
  for (const std::uint64_t seed : device.seeds) text += (text.empty() ? "" : ", ") + std::to_string(seed);
  return text;
}

using Cell = std::function<std::string(const Device&)>;

/// What is the same for all devices is said once, across their columns.
std::string cells_of(const Results& results, const Cell& cell) {
  const auto& devices = results.devices;
  const bool same = std::all_of(devices.begin(), devices.end(),
                                [&](const Device& device) { return cell(device) == cell(devices.front()); });
  if (same && !devices.empty()) {
    return "<td colspan=\"" + std::to_string(devices.size()) + "\">" + cell(devices.front()) + "</td>";
  }
  std::string html;
  for (const Device& device : devices) html += "<td>" + cell(device) + "</td>";
  return html;
}

std::string identity_table(const Results& results) {
  const std::vector<std::pair<const char*, Cell>> lines = {
      {"firmware image", [](const Device& d) { return file_and_hash(d.image); }},
      {"board profile", [](const Device& d) { return file_and_hash(d.board); }},
      {"site profile", [](const Device& d) { return escaped(d.site_name) + ", " + file_and_hash(d.site); }},
      {"requirements", [](const Device& d) { return file_and_hash(d.requirements); }},
      {"kind of evidence", [](const Device& d) { return escaped(d.level.empty() ? d.rig : d.level); }},
      {"seed", [](const Device& d) { return escaped(seeds_text(d)); }},
      {"Dawnrig version", [](const Device& d) { return escaped(d.tool_version); }},
  };
  std::string html = "<table class=\"identity\"><thead><tr><th></th>";
  for (const Device& device : results.devices) html += element("th", "", column_name(device, results));
  html += "</tr></thead><tbody>";
  for (const auto& [name, cell] : lines) {
    html += "<tr>" + element("th", "", name);
    html += cells_of(results, cell) + "</tr>";
  }
  return html + "</tbody></table>";
}

}  // namespace

std::string first_page(const Results& results) {
  std::vector<std::string> boards;
  for (const Device& device : results.devices) {
    if (std::find(boards.begin(), boards.end(), device.board_name) == boards.end()) boards.push_back(device.board_name);
  }
  std::string title;
  for (const std::string& board : boards) title += (title.empty() ? "" : " and ") + board;
  std::string html =
      "<div class=\"certificate\"><header>" + element("h1", "", title.empty() ? "No device" : capitalised(title));
  html += element("p", "lead",
                  "Verdict report. A requirement holds when its worst measured figure stays within the limit; "
                  "the margin says by how much.");
  html += "</header><div class=\"devices\">";
  for (const Device& device : results.devices) html += device_box(device, results);
  html += "</div>" + what_went_wrong(results) + closest(results);
  html += "<section><h2>What was tested</h2>" + identity_table(results) + "</section>";
  html += not_shown(results);
  html += "<section><h2>Before you rely on this</h2><ul class=\"cautions\">";
  for (const char* caution : kCautions) html += element("li", "", caution);
  return html + "</ul></section></div>";
}

}  // namespace dawnrig::report
