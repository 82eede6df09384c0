// Plant: room for what may be needed, and must not be allocated when it is. Until somebody writes to it, it costs
// nothing.
#pragma once

#include <memory>
#include <type_traits>
#include <vector>

namespace dawnrig::plant {

template <class T>
struct AsFoundAllocator : std::allocator<T> {
  static_assert(std::is_trivially_default_constructible_v<T> && std::is_trivially_destructible_v<T>);
  template <class U>
  struct rebind {
    using other = AsFoundAllocator<U>;
  };
  void construct(T* /*at*/) {}  // whoever wrote zeros would have the system find all of it at once
};

/// A vector whose elements are whatever stood in memory before: each is written before it is read.
template <class T>
using AsFound = std::vector<T, AsFoundAllocator<T>>;

}  // namespace dawnrig::plant
