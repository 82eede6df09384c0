#include "harness/base/units.h"

#include <algorithm>
#include <array>

namespace dawnrig::base {
namespace {

const std::array<std::string, 32> unit_words = {
    "V", "mV",   "uV", "A",   "mA",   "uA",  "W",   "mW", "ohm", "mohm", "kohm", "s", "ms",   "us", "min", "h",
    "d", "degC", "K",  "V/K", "mV/K", "1/K", "V/s", "Hz", "kHz", "Ah",   "Wh",   "J", "W/m2", "%",  "1",   "count"};

// Units a person may reach for as well as those the schemas use: a name in a wrong unit is then recognised as such.
constexpr std::array kSuffixes = {
    "v",     "mv",      "uv",    "kv",      "a",       "ma",      "ua",          "w",          "mw",
    "kw",    "ohm",     "mohm",  "kohm",    "megohm",  "f",       "uf",          "nf",         "pf",
    "mf",    "henry",   "s",     "ms",      "us",      "min",     "hours",       "hz",         "khz",
    "mhz",   "degc",    "degf",  "k",       "c",       "wpm2",    "kwpm2",       "ah",         "mah",
    "wh",    "kwh",     "j",     "frac",    "percent", "lsb",     "v_per_k",     "mv_per_k",   "a_per_k",
    "per_k", "per_v",   "per_s", "j_per_k", "k_per_w", "per_soc", "a_per_100ah", "baud",       "bytes",
    "h",     "seconds", "volts", "amps",    "ohms",    "watts",   "a_per_degc",  "v_per_degc", "per_degc"};

}  // namespace

std::span<const std::string> unit_names() {
  return unit_words;
}

bool is_unit_name(std::string_view unit) {
  return std::find(unit_words.begin(), unit_words.end(), unit) != unit_words.end();
}

std::optional<SuffixedName> split_unit(std::string_view name) {
  std::optional<SuffixedName> best;
  for (const std::string_view suffix : kSuffixes) {
    if (name.size() < suffix.size() + 2 || !name.ends_with(suffix)) continue;
    const std::size_t bar = name.size() - suffix.size() - 1;
    if (name[bar] != '_') continue;
    if (!best || suffix.size() > best->unit.size()) best = {name.substr(0, bar), name.substr(bar + 1)};
  }
  return best;
}

}  // namespace dawnrig::base
