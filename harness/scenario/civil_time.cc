#include "harness/scenario/civil_time.h"

#include <charconv>

namespace dawnrig::scenario {
namespace {

// Takes what it recognises from the front of a text.
class Front {
 public:
  explicit Front(std::string_view text) : rest_{text} {}

  [[nodiscard]] bool done() const { return rest_.empty(); }
  bool take(char c) {
    if (rest_.empty() || rest_.front() != c) return false;
    rest_.remove_prefix(1);
    return true;
  }
  /// Exactly so many digits.
  std::optional<int> digits(std::size_t count) {
    if (rest_.size() < count) return std::nullopt;
    int value = 0;
    for (const char c : rest_.substr(0, count)) {
      if (c < '0' || c > '9') return std::nullopt;
      value = value * 10 + (c - '0');
    }
    rest_.remove_prefix(count);
    return value;
  }
  /// Digits after the point, as nanoseconds.
  std::optional<Nanos> fraction() {
    std::int64_t value = 0;
    std::int64_t unit = 1'000'000'000;
    bool any = false;
    while (!rest_.empty() && rest_.front() >= '0' && rest_.front() <= '9') {
      unit /= 10;
      value += unit * (rest_.front() - '0');
      rest_.remove_prefix(1);
      any = true;
    }
    return any ? std::optional{Nanos{value}} : std::nullopt;
  }

 private:
  std::string_view rest_;
};

std::optional<Nanos> time_of_day(Front& front) {
  using namespace std::chrono;
  const auto hour = front.digits(2);
  if (!hour || *hour > 23 || !front.take(':')) return std::nullopt;
  const auto minute = front.digits(2);
  if (!minute || *minute > 59) return std::nullopt;
  Nanos of_day = hours{*hour} + minutes{*minute};
  if (!front.take(':')) return of_day;
  const auto second = front.digits(2);
  if (!second || *second > 59) return std::nullopt;
  of_day += seconds{*second};
  if (!front.take('.')) return of_day;
  const auto fraction = front.fraction();
  if (!fraction) return std::nullopt;
  return of_day + *fraction;
}

// "Z" or "+01:00"; nullopt if it is neither.
std::optional<Nanos> offset(Front& front) {
  using namespace std::chrono;
  if (front.take('Z')) return Nanos{0};
  const bool east = front.take('+');
  if (!east && !front.take('-')) return std::nullopt;
  const auto hour = front.digits(2);
  if (!hour || *hour > 14 || !front.take(':')) return std::nullopt;
  const auto minute = front.digits(2);
  if (!minute || *minute > 59) return std::nullopt;
  const Nanos ahead = hours{*hour} + minutes{*minute};
  return east ? ahead : -ahead;
}

}  // namespace

std::optional<CivilTime> parse_civil_time(std::string_view text) {
  Front front{text};
  const auto year = front.digits(4);
  if (!year || *year < 1950 || *year > 2100 || !front.take('-')) return std::nullopt;
  const auto month = front.digits(2);
  if (!month || !front.take('-')) return std::nullopt;
  const auto day = front.digits(2);
  if (!day || !(front.take('T') || front.take(' '))) return std::nullopt;
  const std::chrono::year_month_day date{std::chrono::year{*year}, std::chrono::month{static_cast<unsigned>(*month)},
                                         std::chrono::day{static_cast<unsigned>(*day)}};
  const auto of_day = time_of_day(front);
  if (!date.ok() || !of_day) return std::nullopt;
  CivilTime time{std::chrono::sys_days{date} + *of_day, false};
  if (front.done()) return time;
  const auto ahead = offset(front);
  if (!ahead || !front.done()) return std::nullopt;
  time.at -= *ahead;
  time.has_offset = true;
  return time;
}

}  // namespace dawnrig::scenario
