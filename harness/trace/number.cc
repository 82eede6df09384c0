#include <array>
#include <charconv>

#include "harness/trace/number_internal.h"

namespace dawnrig::trace {

std::string number_text(float value) {
  std::array<char, 32> text{};
  const auto result = std::to_chars(text.data(), text.data() + text.size(), value);
  return {text.data(), result.ptr};
}

std::string seconds_text(Nanos time) {
  constexpr std::int64_t kPerSecond = 1'000'000'000;
  std::string text = std::to_string(time.count() / kPerSecond);
  std::string digits = std::to_string(time.count() % kPerSecond);
  digits.insert(0, 9 - digits.size(), '0');
  digits.erase(digits.find_last_not_of('0') + 1);
  return digits.empty() ? text : text + '.' + digits;
}

}  // namespace dawnrig::trace
