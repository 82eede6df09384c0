#include "harness/base/hash.h"

#include <openssl/evp.h>

#include <array>
#include <fstream>
#include <vector>

#include "harness/base/bad_input.h"
#include "harness/base/files.h"

namespace dawnrig::base {
namespace {

void demand(int outcome) {
  if (outcome != 1) throw RunFault("SHA-256 failed inside the cryptography library");
}

std::span<const std::uint8_t> bytes_of(std::string_view text) {
  return {reinterpret_cast<const std::uint8_t*>(text.data()), text.size()};
}

struct FreeContext {
  void operator()(EVP_MD_CTX* context) const { EVP_MD_CTX_free(context); }
};
using Context = std::unique_ptr<EVP_MD_CTX, FreeContext>;

}  // namespace

struct Sha256::Impl {
  Context context{EVP_MD_CTX_new()};
};

Sha256::Sha256() : impl_(std::make_unique<Impl>()) {
  demand(impl_->context != nullptr ? 1 : 0);
  demand(EVP_DigestInit_ex(impl_->context.get(), EVP_sha256(), nullptr));
}
Sha256::~Sha256() = default;
Sha256::Sha256(Sha256&&) noexcept = default;
Sha256& Sha256::operator=(Sha256&&) noexcept = default;

void Sha256::update(std::span<const std::uint8_t> bytes) {
  demand(EVP_DigestUpdate(impl_->context.get(), bytes.data(), bytes.size()));
}

void Sha256::update(std::string_view text) {
  update(bytes_of(text));
}

std::string Sha256::hex() const {
  // Finishing spoils a context, so a copy is finished.
  const Context copy{EVP_MD_CTX_new()};
  demand(copy != nullptr ? 1 : 0);
  demand(EVP_MD_CTX_copy_ex(copy.get(), impl_->context.get()));
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned int length = 0;
  demand(EVP_DigestFinal_ex(copy.get(), digest.data(), &length));
  static constexpr std::string_view kDigits = "0123456789abcdef";
  std::string text;
  for (unsigned int i = 0; i < length; ++i) {
    text += kDigits[digest[i] >> 4U];
    text += kDigits[digest[i] & 0xFU];
  }
  return text;
}

std::string sha256_hex(std::span<const std::uint8_t> bytes) {
  Sha256 hash;
  hash.update(bytes);
  return hash.hex();
}

std::string sha256_hex(std::string_view text) {
  return sha256_hex(bytes_of(text));
}

std::string sha256_of_file(const std::filesystem::path& file) {
  demand_readable(file);
  std::ifstream in(file, std::ios::binary);
  Sha256 hash;
  std::vector<char> piece(1U << 16U);
  while (in) {
    in.read(piece.data(), static_cast<std::streamsize>(piece.size()));
    hash.update(std::string_view(piece.data(), static_cast<std::size_t>(in.gcount())));
  }
  if (in.bad()) throw BadInput(file.string(), "cannot be read to its end");
  return hash.hex();
}

}  // namespace dawnrig::base
