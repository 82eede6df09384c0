// What the suite set out to cover, with what became of it.
#include <algorithm>

#include "harness/base/textproto.h"
#include "harness/report/html.h"
#include "harness/report/page.h"
#include "harness/report/text.h"
#include "proto/catalogue.pb.h"

namespace dawnrig::report {
namespace {

const Row* row_of(const std::string& id, const Results& results) {
  const auto at = std::find_if(results.rows.begin(), results.rows.end(), [&](const Row& row) { return row.id == id; });
  return at == results.rows.end() ? nullptr : &*at;
}

/// The worst finding of a subject on a device; nullptr if nothing of it was judged there.
const Judged* worst_of(const Subject& subject, const Results& results, std::size_t device) {
  const Judged* worst = nullptr;
  for (const std::string& id : subject.requirements) {
    const Row* row = row_of(id, results);
    const Judged* judged = row == nullptr ? nullptr : row->worst_on(device);
    if (judged != nullptr && (worst == nullptr || is_worse(*judged, *worst))) worst = judged;
  }
  return worst;
}

std::int64_t exercised_on(const Subject& subject, const Results& results, std::size_t device) {
  std::int64_t times = 0;
  for (const std::string& id : subject.requirements) {
    const Row* row = row_of(id, results);
    if (row == nullptr) continue;
    for (const Judged& judged : row->judged[device]) times += judged.exercised;
  }
  return times;
}

std::string requirements_cell(const Subject& subject, const Results& results) {
  std::string html;
  for (const std::string& id : subject.requirements) {
    const Row* row = row_of(id, results);
    html += html.empty() ? "" : "<br/>";
    html += row == nullptr ? escaped(id) : "<a href=\"#" + anchor_of(*row) + "\">" + escaped(id) + "</a>";
  }
  const std::pair<const char*, const std::string*> reasons[] = {
      {"not applicable, because ", &subject.not_applicable_because},
      {"only hardware shows: ", &subject.hardware_because},
      {"not judged yet: ", &subject.open_because}};
  for (const auto& [what, reason] : reasons) {
    if (!reason->empty()) html += "<div class=\"soft\">" + escaped(what + *reason) + "</div>";
  }
  return html;
}

std::string device_cells(const Subject& subject, const Results& results, std::size_t device) {
  const Judged* worst = worst_of(subject, results, device);
  if (worst == nullptr) return "<td class=\"first soft\" colspan=\"3\">not judged</td>";
  return "<td class=\"first\">" + badge(worst->verdict) + "</td><td class=\"number\">" +
         escaped(has_margin(*worst) ? normalised_text(*worst) : "–") + "</td><td class=\"number\">" +
         std::to_string(exercised_on(subject, results, device)) + "</td>";
}

}  // namespace

std::vector<Subject> load_catalogue(const std::filesystem::path& file) {
  proto::Catalogue written;
  base::TextprotoFile read = base::read_textproto(file, written);
  read.complaints.throw_if_any();
  std::vector<Subject> subjects;
  for (const proto::Subject& s : written.subject()) {
    subjects.push_back({s.id(),
                        s.what(),
                        {s.requirement().begin(), s.requirement().end()},
                        s.not_applicable_because(),
                        s.hardware_because(),
                        s.open_because()});
  }
  return subjects;
}

std::string catalogue_section(const Results& results) {
  if (results.catalogue.empty()) return "";
  std::string html =
      "<section><h2>What the suite set out to cover</h2><table class=\"small\"><thead><tr><th rowspan=\"2\"></th>"
      "<th rowspan=\"2\">subject</th><th rowspan=\"2\">judged by, and what is not</th>";
  for (const Device& device : results.devices) {
    html += "<th class=\"group\" colspan=\"3\">" + escaped(column_name(device, results)) + "</th>";
  }
  html += "</tr><tr>";
  for (std::size_t d = 0; d < results.devices.size(); ++d) {
    html +=
        "<th class=\"first\">worst</th><th class=\"number\">margin, in tolerances</th><th "
        "class=\"number\">exercised</th>";
  }
  html += "</tr></thead><tbody>";
  for (const Subject& subject : results.catalogue) {
    html += "<tr>" + element("td", "", subject.id) + element("td", "", subject.what) + "<td>" +
            requirements_cell(subject, results) + "</td>";
    for (std::size_t d = 0; d < results.devices.size(); ++d) html += device_cells(subject, results, d);
    html += "</tr>";
  }
  return html + "</tbody></table></section>";
}

std::string not_shown(const Results& results) {
  std::string items;
  for (const Subject& subject : results.catalogue) {
    if (!subject.hardware_because.empty()) {
      items += element("li", "", "Only hardware shows (" + subject.id + "): " + subject.hardware_because + ".");
    }
  }
  for (const Subject& subject : results.catalogue) {
    if (!subject.open_because.empty()) {
      items +=
          element("li", "", "Not judged yet (" + subject.id + ", " + subject.what + "): " + subject.open_because + ".");
    }
  }
  for (const Subject& subject : results.catalogue) {
    if (!subject.not_applicable_because.empty()) {
      items += element("li", "", "Not applicable (" + subject.id + "): " + subject.not_applicable_because + ".");
    }
  }
  std::size_t of_devices = 0;
  for (const Device& device : results.devices) of_devices += device.not_applicable.size();
  if (of_devices > 0) {
    items += element(
        "li", "",
        std::to_string(of_devices) + " tests did not apply to a device; their reasons stand at the end of the report.");
  }
  return items.empty() ? ""
                       : "<section><h2>What this does not show</h2><ul class=\"cautions\">" + items + "</ul></section>";
}

}  // namespace dawnrig::report
