// Plant: room for what may be needed, and must not be allocated when it is. Until somebody writes to it, it costs
// nothing.
#pragma once

#include <cstring>
#include <memory>
#include <type_traits>
#include <vector>

namespace dawnrig::plant {

template <class T>
struct AsFoundAllocator : std::allocator<T> {
  static_assert(std::is_trivially_default_constructible_v<T> && std::is_trivially_destructible_v<T>);
  /// Whoever wrote zeros would have the system find all of the memory at once. Under the sanitizer for memory it is
  /// filled with what is no number, so that tests see who reads first.
  void construct([[maybe_unused]] T* at) {
#if defined(__SANITIZE_ADDRESS__)
    std::memset(at, 0xFF, sizeof(T));
#endif
  }
};

/// A vector whose elements are whatever stood in memory before: each is written before it is read.
template <class T>
using AsFound = std::vector<T, AsFoundAllocator<T>>;

}  // namespace dawnrig::plant
