#include "harness/link/serial_stream.h"

#include <fcntl.h>
#include <linux/serial.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/serial_port.hpp>
#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <system_error>

#include "harness/base/bad_input.h"

namespace dawnrig::link {

namespace {

namespace asio = boost::asio;

/// 0: nothing there; -1: gone.
ssize_t read_some(int fd, std::span<std::uint8_t> into) {
  const ssize_t got = ::read(fd, into.data(), into.size());
  if (got > 0) {
    return got;
  }
  return got < 0 && (errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR) ? 0 : -1;
}

ssize_t write_some(int fd, std::span<const std::uint8_t> bytes) {
  const ssize_t put = ::write(fd, bytes.data(), bytes.size());
  if (put >= 0) {
    return put;
  }
  return errno == EAGAIN || errno == EWOULDBLOCK || errno == EINTR ? 0 : -1;
}

/// Whether the other end has hung up though nothing was read: an unplugged adapter polls as an error.
bool hung_up(int fd) {
  pollfd one{fd, POLLIN, 0};
  return ::poll(&one, 1, 0) > 0 && (one.revents & (POLLHUP | POLLERR | POLLNVAL)) != 0 && (one.revents & POLLIN) == 0;
}

void make_nonblocking(int fd) {
  ::fcntl(fd, F_SETFL, ::fcntl(fd, F_GETFL) | O_NONBLOCK);
}

std::string set_low_latency(int fd, const std::string& device) {
  serial_struct settings{};
  if (::ioctl(fd, TIOCGSERIAL, &settings) == 0) {
    settings.flags |= ASYNC_LOW_LATENCY;
    if (::ioctl(fd, TIOCSSERIAL, &settings) == 0) {
      return {};
    }
  }
  return device + ": its driver has no flag for low latency (" + std::strerror(errno) +
         "); what arrives may be held back for some milliseconds, which the round trip will show";
}

}  // namespace

struct SerialStream::Impl {
  explicit Impl(const std::string& path) : device{path} {}

  boost::system::error_code open() {
    boost::system::error_code error;
    port.close(error);
    gone = true;
    port.open(device, error);
    if (!error) port.set_option(asio::serial_port_base::baud_rate{kLineBaud}, error);
    if (!error) port.set_option(asio::serial_port_base::character_size{8}, error);
    if (!error) port.set_option(asio::serial_port_base::parity{asio::serial_port_base::parity::none}, error);
    if (!error) port.set_option(asio::serial_port_base::stop_bits{asio::serial_port_base::stop_bits::one}, error);
    if (!error) {
      port.set_option(asio::serial_port_base::flow_control{asio::serial_port_base::flow_control::none}, error);
    }
    if (!error) {
      make_nonblocking(port.native_handle());
      ::tcflush(port.native_handle(), TCIOFLUSH);  // what stood in the line is of another conversation
      warning = set_low_latency(port.native_handle(), device);
      gone = false;
    }
    return error;
  }

  std::string device;
  std::string warning;
  asio::io_context context;
  asio::serial_port port{context};
  bool gone{true};
};

SerialStream::SerialStream(const std::string& device) : impl_{std::make_unique<Impl>(device)} {
  if (const auto error = impl_->open()) {
    const char* hint = error.value() == ENOENT   ? "; is the board plugged in?"
                       : error.value() == EACCES ? "; your user must be in the group that owns serial ports"
                       : error.value() == ENOTTY ? "; give the device of a serial port"
                                                 : "";
    throw base::BadInput(device, "cannot be opened as a serial port: " + error.message() + hint);
  }
}

SerialStream::~SerialStream() = default;

std::size_t SerialStream::read(std::span<std::uint8_t> into) {
  if (impl_->gone) {
    return 0;
  }
  const ssize_t got = read_some(impl_->port.native_handle(), into);
  if (got < 0) {
    impl_->gone = true;
    return 0;
  }
  if (got == 0 && hung_up(impl_->port.native_handle())) {
    impl_->gone = true;
  }
  return static_cast<std::size_t>(got);
}

std::size_t SerialStream::write(std::span<const std::uint8_t> bytes) {
  if (impl_->gone) {
    return 0;
  }
  const ssize_t put = write_some(impl_->port.native_handle(), bytes);
  impl_->gone = put < 0;
  return put < 0 ? 0 : static_cast<std::size_t>(put);
}

LineState SerialStream::state() const {
  return impl_->gone ? LineState::kGone : LineState::kUp;
}
bool SerialStream::reopen() {
  return !impl_->open();
}
const std::string& SerialStream::name() const {
  return impl_->device;
}
int SerialStream::descriptor() const {
  return impl_->gone ? -1 : impl_->port.native_handle();
}
const std::string& SerialStream::low_latency_warning() const {
  return impl_->warning;
}

PseudoTerminal::PseudoTerminal(const std::string& link) : link_{link} {
  make();
}

PseudoTerminal::~PseudoTerminal() {
  hang_up();
  if (!link_.empty()) {
    ::unlink(link_.c_str());
  }
}

void PseudoTerminal::make() {
  const auto fault = [](const char* what) {
    throw base::RunFault(std::string{"no pseudo-terminal: "} + what + ": " + std::strerror(errno));
  };
  master_ = ::posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
  if (master_ < 0) fault("opening");
  std::array<char, 64> path{};
  if (::grantpt(master_) != 0 || ::unlockpt(master_) != 0 || ::ptsname_r(master_, path.data(), path.size()) != 0) {
    fault("granting");
  }
  path_ = path.data();
  keeper_ = ::open(path_.c_str(), O_RDWR | O_NOCTTY);
  if (keeper_ < 0) fault("opening its own end");
  // Raw from the beginning: what comes before the first user opens the port must not be echoed back.
  boost::system::error_code error;
  asio::io_context context;
  asio::serial_port port{context, ::dup(keeper_)};
  port.set_option(asio::serial_port_base::baud_rate{kLineBaud}, error);
  port.close(error);
  if (!link_.empty()) {
    ::unlink(link_.c_str());
    if (::symlink(path_.c_str(), link_.c_str()) != 0) {
      throw base::BadInput(link_, std::string{"no link to the port can be made there: "} + std::strerror(errno));
    }
  }
}

void PseudoTerminal::hang_up() {
  if (keeper_ >= 0) ::close(keeper_);
  if (master_ >= 0) ::close(master_);
  keeper_ = master_ = -1;
}

bool PseudoTerminal::reopen() {
  hang_up();
  make();
  return true;
}

std::size_t PseudoTerminal::read(std::span<std::uint8_t> into) {
  return master_ < 0 ? 0 : static_cast<std::size_t>(std::max<ssize_t>(0, read_some(master_, into)));
}

std::size_t PseudoTerminal::write(std::span<const std::uint8_t> bytes) {
  return master_ < 0 ? 0 : static_cast<std::size_t>(std::max<ssize_t>(0, write_some(master_, bytes)));
}

LineState PseudoTerminal::state() const {
  return master_ < 0 ? LineState::kGone : LineState::kUp;
}

}  // namespace dawnrig::link
