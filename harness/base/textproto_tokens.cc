#include "harness/base/textproto_tokens.h"

#include <google/protobuf/io/tokenizer.h>
#include <google/protobuf/io/zero_copy_stream_impl_lite.h>

#include <utility>
#include <vector>

namespace dawnrig::base::textproto {
namespace {

namespace io = google::protobuf::io;

constexpr int kTab = 8;  // the tokenizer moves to the next multiple of it

// The tokenizer counts bytes and widens tabs; people count characters. Goes on from where it was asked last, because a
// hostile file may hold a million words in one line.
class ColumnCounter {
 public:
  int characters_before(int line_number, std::string_view line, int tokenizer_column) {
    if (line_number != line_ || tokenizer_column < column_) *this = ColumnCounter(line_number);
    for (; byte_ < line.size() && column_ < tokenizer_column; ++byte_) {
      column_ += line[byte_] == '\t' ? kTab - column_ % kTab : 1;
      const bool continues = (static_cast<unsigned char>(line[byte_]) & 0xC0U) == 0x80U;
      characters_ += continues ? 0 : 1;
    }
    return characters_;
  }
  ColumnCounter() = default;

 private:
  explicit ColumnCounter(int line) : line_(line) {}
  int line_{0};
  int column_{0};
  int characters_{0};
  std::size_t byte_{0};
};

std::vector<std::string_view> lines_of(std::string_view text) {
  std::vector<std::string_view> lines;
  for (std::size_t end = text.find('\n'); end != std::string_view::npos; end = text.find('\n')) {
    lines.push_back(text.substr(0, end));
    text.remove_prefix(end + 1);
  }
  lines.push_back(text);
  return lines;
}

// The tokenizer's own words for what it cannot read, in ours.
std::string reworded(const std::string& message) {
  if (message.find("cross line") != std::string::npos || message.find("end of string") != std::string::npos) {
    return "a text in quotes is not closed on its line";
  }
  if (message.find("escape") != std::string::npos) return "an unknown escape sequence in a text in quotes";
  if (message.find("control characters") != std::string::npos) return "a control character stands here";
  return "cannot be read: " + message;
}

TokenKind kind_of(io::Tokenizer::TokenType type) {
  switch (type) {
    case io::Tokenizer::TYPE_IDENTIFIER:
      return TokenKind::kName;
    case io::Tokenizer::TYPE_INTEGER:
      return TokenKind::kInteger;
    case io::Tokenizer::TYPE_FLOAT:
      return TokenKind::kReal;
    case io::Tokenizer::TYPE_STRING:
      return TokenKind::kString;
    case io::Tokenizer::TYPE_END:
    case io::Tokenizer::TYPE_START:
      return TokenKind::kEnd;
    default:
      return TokenKind::kSymbol;
  }
}

}  // namespace

struct Tokens::Impl : io::ErrorCollector {
  explicit Impl(std::string_view text)
      : lines(lines_of(text)), input(text.data(), static_cast<int>(text.size())), tokenizer(&input, this) {
    tokenizer.set_comment_style(io::Tokenizer::SH_COMMENT_STYLE);
    // "16MHz" is then two tokens, and the reader can say more about it than that it is not a number.
    tokenizer.set_require_space_after_number(false);
  }
  void AddError(int line, io::ColumnNumber column, const std::string& message) override {
    if (fault.empty()) {
      fault = reworded(message);
      fault_place = place(line, column);
    }
  }
  [[nodiscard]] Locations::Place place(int line, int column) {
    const auto index = static_cast<std::size_t>(line);
    return {line + 1, (index < lines.size() ? columns.characters_before(line, lines[index], column) : column) + 1};
  }

  std::vector<std::string_view> lines;
  ColumnCounter columns;
  io::ArrayInputStream input;
  std::string fault;
  Locations::Place fault_place;
  io::Tokenizer tokenizer;
};

Tokens::Tokens(std::string_view text) : impl_(std::make_unique<Impl>(text)) {
  advance();
}
Tokens::~Tokens() = default;

void Tokens::advance() {
  io::Tokenizer& tokenizer = impl_->tokenizer;
  tokenizer.Next();
  const io::Tokenizer::Token& now = tokenizer.current();
  const io::Tokenizer::Token& before = tokenizer.previous();
  const bool adjacent = now.line == before.line && now.column == before.end_column;
  current_ = {kind_of(now.type), now.text, impl_->place(now.line, now.column), adjacent};
  if (!impl_->fault.empty()) {
    fault_ = impl_->fault;
    current_.place = impl_->fault_place;
  }
}

Token Tokens::take() {
  Token token = std::move(current_);
  advance();
  return token;
}

bool Tokens::take_if(std::string_view symbol) {
  if (!current_.is(symbol)) return false;
  advance();
  return true;
}

std::string unquoted(const std::string& token) {
  std::string text;
  io::Tokenizer::ParseString(token, &text);
  return text;
}

}  // namespace dawnrig::base::textproto
