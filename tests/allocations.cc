#include "tests/allocations.h"

#include <cstddef>
#include <cstdlib>
#include <new>

namespace {
thread_local std::int64_t t_allocations = 0;

void* counted(std::size_t size, std::size_t alignment) {
  ++t_allocations;
  const std::size_t rounded = (size + alignment - 1) / alignment * alignment;
  void* memory = alignment > alignof(std::max_align_t) ? std::aligned_alloc(alignment, rounded)
                                                       : std::malloc(size == 0 ? 1 : size);
  if (memory == nullptr) throw std::bad_alloc{};
  return memory;
}
}  // namespace

void* operator new(std::size_t size) {
  return counted(size, 1);
}
void* operator new[](std::size_t size) {
  return counted(size, 1);
}
void* operator new(std::size_t size, std::align_val_t alignment) {
  return counted(size, static_cast<std::size_t>(alignment));
}
void* operator new[](std::size_t size, std::align_val_t alignment) {
  return counted(size, static_cast<std::size_t>(alignment));
}
void operator delete(void* memory) noexcept {
  std::free(memory);
}
void operator delete[](void* memory) noexcept {
  std::free(memory);
}
void operator delete(void* memory, std::size_t /*size*/) noexcept {
  std::free(memory);
}
void operator delete[](void* memory, std::size_t /*size*/) noexcept {
  std::free(memory);
}
void operator delete(void* memory, std::align_val_t /*alignment*/) noexcept {
  std::free(memory);
}
void operator delete[](void* memory, std::align_val_t /*alignment*/) noexcept {
  std::free(memory);
}
void operator delete(void* memory, std::size_t /*size*/, std::align_val_t /*alignment*/) noexcept {
  std::free(memory);
}
void operator delete[](void* memory, std::size_t /*size*/, std::align_val_t /*alignment*/) noexcept {
  std::free(memory);
}

namespace dawnrig {
std::int64_t allocations_so_far() {
  return t_allocations;
}
}  // namespace dawnrig
