#include "harness/report/html.h"

#include <array>
#include <charconv>

namespace dawnrig::report {

std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : text) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      case '\n':
      case '\t':
        out += c;
        break;
      default:
        out += static_cast<unsigned char>(c) < 0x20 ? '?' : c;
    }
  }
  return out;
}

std::string element(std::string_view tag, std::string_view css_class, std::string_view text) {
  std::string out = "<";
  out += tag;
  if (!css_class.empty()) out.append(" class=\"").append(css_class).append("\"");
  out.append(">").append(escaped(text)).append("</").append(tag).append(">");
  return out;
}

std::string_view class_of(verdict::Verdict verdict) {
  switch (verdict) {
    case verdict::Verdict::kPass:
      return "pass";
    case verdict::Verdict::kFail:
      return "fail";
    case verdict::Verdict::kInvalid:
      return "invalid";
    case verdict::Verdict::kVacuous:
      return "vacuous";
  }
  return "invalid";
}

std::string badge(verdict::Verdict verdict) {
  return element("span", "badge " + std::string{class_of(verdict)}, verdict::text_of(verdict));
}

std::string px(double value) {
  std::array<char, 400> text{};
  const auto end = std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed, 1).ptr;
  std::string out{text.data(), end};
  if (out.ends_with(".0")) out.resize(out.size() - 2);
  return out;
}

std::string short_hash(std::string_view sha256) {
  constexpr std::size_t kShown = 12;
  return sha256.empty() ? "not given" : std::string{sha256.substr(0, kShown)};
}

}  // namespace dawnrig::report
