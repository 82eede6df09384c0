// SHA-256 (FIPS 180-4), by which a trace names the inputs that made it.
// Room: harness/base. May use the standard library; OpenSSL in the .cc file.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <span>
#include <string>
#include <string_view>

namespace dawnrig::base {

/// Hashes bytes as they come.
class Sha256 {
 public:
  Sha256();
  ~Sha256();
  Sha256(Sha256&&) noexcept;
  Sha256& operator=(Sha256&&) noexcept;
  Sha256(const Sha256&) = delete;
  Sha256& operator=(const Sha256&) = delete;

  void update(std::span<const std::uint8_t> bytes);
  void update(std::string_view text);
  /// 64 lower-case hex digits of everything so far. The hash may go on being fed afterwards.
  [[nodiscard]] std::string hex() const;

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

[[nodiscard]] std::string sha256_hex(std::span<const std::uint8_t> bytes);
[[nodiscard]] std::string sha256_hex(std::string_view text);
/// Throws BadInput as read_file() does, but for size: a file of any length is hashed piece by piece.
[[nodiscard]] std::string sha256_of_file(const std::filesystem::path& file);

}  // namespace dawnrig::base
