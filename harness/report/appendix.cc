#include "harness/base/text.h"
#include "harness/report/html.h"
#include "harness/report/page.h"
#include "harness/report/text.h"

namespace dawnrig::report {
namespace {

std::string not_applicable(const Results& results) {
  std::string rows;
  for (const Device& device : results.devices) {
    for (const NotApplicable& one : device.not_applicable) {
      rows += "<tr>" + element("td", "", column_name(device, results)) + element("td", "", one.test) +
              element("td", "", as_sentence(one.because)) + "</tr>";
    }
  }
  if (rows.empty()) return "";
  return "<section><h2>What does not apply to this device</h2><table "
         "class=\"small\"><thead><tr><th>device</th><th>test</th>"
         "<th>why</th></tr></thead><tbody>" +
         rows + "</tbody></table></section>";
}

std::string hashes(const Results& results) {
  std::string rows;
  for (const Device& device : results.devices) {
    const std::pair<const char*, const Hashed*> files[] = {{"firmware image", &device.image},
                                                           {"board profile", &device.board},
                                                           {"site profile", &device.site},
                                                           {"requirements", &device.requirements}};
    for (const auto& [what, hashed] : files) {
      rows += "<tr>" + element("td", "", column_name(device, results)) + element("td", "", what) + "<td>" +
              escaped(hashed->file) + "<br/><code>" +
              escaped(hashed->sha256.empty() ? "no hash given" : hashed->sha256) + "</code></td></tr>";
    }
  }
  return "<section><h2>Inputs in full</h2><table class=\"small\"><thead><tr><th>device</th><th>input</th><th>file and "
         "SHA-256"
         "</th></tr></thead><tbody>" +
         rows + "</tbody></table></section>";
}

std::string runs(const Results& results) {
  std::string rows;
  for (const Device& device : results.devices) {
    for (const Run& run : device.runs) {
      std::string trusted = escaped(run.invalid_because.empty() ? "yes" : "no: " + run.invalid_because);
      for (const std::string& note : run.rig_notes) trusted += "<br/>" + escaped(note);
      rows += "<tr>" + element("td", "", column_name(device, results)) + element("td", "", run.test) +
              element("td", "number", std::to_string(run.seed)) + "<td><code>" +
              escaped(short_hash(run.content_sha256)) + "</code></td>" +
              element("td", "", run.trace_file.empty() ? "not kept" : run.trace_file) + "<td>" + trusted + "</td></tr>";
    }
  }
  if (rows.empty()) return "";
  return "<section><h2>Runs</h2><p class=\"soft small\">The same inputs and seed give the same trace, bit for bit, on "
         "the "
         "virtual rig.</p><table class=\"small\"><thead><tr><th>device</th><th>test</th><th class=\"number\">seed</th>"
         "<th>trace hash</th><th>trace</th><th>trusted</th></tr></thead><tbody>" +
         rows + "</tbody></table></section>";
}

std::string batteries(const Results& results) {
  using base::number_text;
  std::string rows;
  for (const Device& device : results.devices) {
    for (const Run& run : device.runs) {
      if (!run.battery) continue;
      const verdict::BatteryCounts& b = *run.battery;
      rows += "<tr>" + element("td", "", column_name(device, results)) + element("td", "", run.test);
      for (const std::string& cell :
           {number_text(b.in_ah, 3), number_text(b.out_ah, 3), number_text(b.gassing_ah, 4),
            number_text(b.above_v_s, 1) + " s above " + number_text(b.limits.above_v) + " V",
            number_text(b.above_degc_s, 1) + " s above " + number_text(b.limits.above_degc) + " °C",
            number_text(b.below_soc_s, 1) + " s below " + number_text(100 * b.limits.below_soc_frac) + " %"}) {
        rows += element("td", "number", cell);
      }
      rows += "</tr>";
    }
  }
  if (rows.empty()) return "";
  return "<section><h2>What the battery went through</h2><p class=\"soft small\">Charge in and out counts both halves "
         "of a ripple. Faults that a test inflicts are in it.</p><table class=\"small\"><thead><tr><th>device</th>"
         "<th>test</th><th class=\"number\">Ah in</th><th class=\"number\">Ah out</th><th class=\"number\">Ah "
         "gassed</th><th class=\"number\">too high</th><th class=\"number\">too hot</th><th class=\"number\">low "
         "charge</th></tr></thead><tbody>" +
         rows + "</tbody></table></section>";
}

}  // namespace

std::string appendix(const Results& results) {
  if (results.devices.empty()) return "";
  return not_applicable(results) + hashes(results) + runs(results) + batteries(results);
}

}  // namespace dawnrig::report
