#include "tests/report/tag_balance.h"

#include <regex>
#include <vector>

namespace dawnrig::report {
namespace {

std::string near(const std::string& page, std::size_t at) {
  return "near: " + page.substr(at, 120);
}

}  // namespace

std::string complaint_about(const std::string& page) {
  static const std::regex kTag{R"(</?[a-zA-Z][a-zA-Z0-9]*(\s+[a-zA-Z][a-zA-Z0-9-]*="[^"<]*")*\s*/?>)"};
  static const std::regex kReference{R"(&(amp|lt|gt|quot|#[0-9]+);)"};
  std::vector<std::string> open;
  for (std::size_t i = page.find("<html"); i < page.size(); ++i) {
    if (page[i] == '&') {
      const std::string start = page.substr(i, 10);
      if (!std::regex_search(start, kReference, std::regex_constants::match_continuous)) {
        return "a bare & " + near(page, i);
      }
    }
    if (page[i] != '<') continue;
    const std::size_t end = page.find('>', i);
    if (end == std::string::npos) return "a tag without end " + near(page, i);
    const std::string tag = page.substr(i, end - i + 1);
    // Pictures hold tags with attributes of many kilobytes; a recursive matcher must not see them whole.
    const std::string head = tag.size() < 400 ? tag : tag.substr(0, tag.find(' ')) + (tag.ends_with("/>") ? "/>" : ">");
    if (!std::regex_match(head, kTag)) return "a malformed tag " + near(page, i);
    const std::size_t name_at = tag[1] == '/' ? 2 : 1;
    const std::string name = tag.substr(name_at, tag.find_first_of(" />", name_at) - name_at);
    if (tag[1] == '/') {
      if (open.empty() || open.back() != name) return "</" + name + "> closes what is not open " + near(page, i);
      open.pop_back();
    } else if (!tag.ends_with("/>")) {
      open.push_back(name);
    }
    i = end;
  }
  return open.empty() ? "" : "<" + open.back() + "> is never closed";
}

}  // namespace dawnrig::report
