#include "harness/report/report.h"

#include <ostream>

#include "harness/base/atomic_file.h"
#include "harness/report/html.h"
#include "harness/report/page.h"

namespace dawnrig::report {

void write_html(const std::vector<std::filesystem::path>& result_files, const std::filesystem::path& page,
                const std::optional<std::filesystem::path>& catalogue) {
  Results results = load_results(result_files);
  if (catalogue) results.catalogue = load_catalogue(*catalogue);
  const std::string title = results.devices.empty() ? "no device" : results.devices.front().board_name;
  base::AtomicFile file{page};
  // Written so that an XML parser can read it too.
  file.stream() << "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"/>"
                << "<meta name=\"viewport\" content=\"width=device-width\"/>"
                << element("title", "", "Verdict report: " + title) << "<style>" << style_sheet()
                << "</style></head>\n<body>\n"
                << first_page(results) << "\n"
                << verdict_table(results) << "\n"
                << catalogue_section(results) << "\n"
                << cards(results) << "\n"
                << appendix(results) << "\n</body></html>\n";
  file.commit();
}

}  // namespace dawnrig::report
