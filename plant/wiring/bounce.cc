#include "plant/wiring/bounce.h"

#include <algorithm>

namespace dawnrig::plant {
namespace {

std::uint64_t split_mix(std::uint64_t& state) {
  state += 0x9e3779b97f4a7c15U;
  std::uint64_t z = state;
  z = (z ^ (z >> 30U)) * 0xbf58476d1ce4e5b9U;
  z = (z ^ (z >> 27U)) * 0x94d049bb133111ebU;
  return z ^ (z >> 31U);
}

}  // namespace

std::vector<Contact> bounce(const BounceParams& params) {
  const auto changes = static_cast<std::size_t>(2 * std::max(1, params.closures));
  std::uint64_t state = params.seed;
  std::vector<Nanos> instants{Nanos{0}, std::max(params.over, Nanos{static_cast<std::int64_t>(changes)})};
  const auto span = static_cast<std::uint64_t>(instants[1].count());
  while (instants.size() < changes) instants.emplace_back(static_cast<std::int64_t>(split_mix(state) % span));
  std::sort(instants.begin(), instants.end());
  std::vector<Contact> sequence;
  bool closed = !params.ends_closed;
  for (std::size_t i = 0; i < instants.size(); ++i) {
    // Two draws may fall together; a contact lasts a nanosecond at least.
    if (i > 0) instants[i] = std::max(instants[i], instants[i - 1] + Nanos{1});
    sequence.push_back({instants[i], closed});
    closed = !closed;
  }
  return sequence;
}

}  // namespace dawnrig::plant
