// The words of a text-format file, each with its place.
// Room: harness/base, private to it. May use the standard library; protobuf in the .cc file.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <string_view>

#include "harness/base/textproto.h"

namespace dawnrig::base::textproto {

enum class TokenKind : std::uint8_t { kEnd, kName, kInteger, kReal, kString, kSymbol };

struct Token {
  TokenKind kind{TokenKind::kEnd};
  std::string text;  ///< as written, quotes and all
  Locations::Place place;
  bool adjacent{false};  ///< nothing stands between it and the token before

  [[nodiscard]] bool is(std::string_view symbol) const { return kind == TokenKind::kSymbol && text == symbol; }
  [[nodiscard]] bool is_number() const { return kind == TokenKind::kInteger || kind == TokenKind::kReal; }
};

class Tokens {
 public:
  /// `text` must outlive this.
  explicit Tokens(std::string_view text);
  ~Tokens();
  Tokens(const Tokens&) = delete;
  Tokens& operator=(const Tokens&) = delete;

  [[nodiscard]] const Token& current() const { return current_; }
  /// The current token; moves on to the next.
  Token take();
  /// Moves on if the current token is `symbol`.
  bool take_if(std::string_view symbol);
  /// Not empty: the text stopped making words, here is why; current() is where.
  [[nodiscard]] const std::string& fault() const { return fault_; }

 private:
  struct Impl;
  void advance();
  std::unique_ptr<Impl> impl_;
  Token current_;
  std::string fault_;
};

/// The bytes a quoted token stands for, escapes resolved.
[[nodiscard]] std::string unquoted(const std::string& token);

}  // namespace dawnrig::base::textproto
