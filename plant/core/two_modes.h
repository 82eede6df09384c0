// Plant, core: two coupled capacitors over one step, solved in closed form. May use phi.h.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>

#include "plant/core/phi.h"

namespace dawnrig::plant {

/// One of the two capacitors, with what is asked of it over and over.
struct Capacitor {
  explicit Capacitor(double farad) : per_f{1.0 / farad}, root_f{std::sqrt(farad)}, per_root_f{1.0 / root_f} {}
  double per_f, root_f, per_root_f;
};

/// Two capacitors and the conductances at them: each node's own to ground, and the one between them.
struct TwoNodes {
  Capacitor first, second;
  double first_s{}, second_s{};
  double between_s{};
};

/// A quantity along a step, tau from 0 to 1: c[0] + c[1] a(tau) + c[2] b(tau) + c[3] tau + c[4] tau^2 + c[5] tau^3,
/// where a and b are the two modes of the pair of nodes.
using Along = std::array<double, 6>;

/// The linear part of the two nodes' equations in its own axes. With x = node voltages less their start,
///
///     x' = J x + r0 + r1 t + d (t/h)^2 + e (t/h)^3,        J of TwoNodes, symmetric once voltages are scaled by
///     sqrt(C)
///
/// falls into two scalar equations, each solved by phi functions, exact for any h and any stiffness. Products of what
/// runs along the step integrate in closed form too, so that the energy books balance to rounding.
/// Checked in tests/plant/two_modes_test.cc.
class TwoModes {
 public:
  using Pair = std::array<double, 2>;  // of the two nodes, or of the two modes

  /// Axes and rates; start_per_s, drift_per_s2 are r0, r1 of the nodes.
  TwoModes(const TwoNodes& nodes, const Pair& start_per_s, const Pair& drift_per_s2)
      : first_{nodes.first}, second_{nodes.second} {
    const double j11 = -(nodes.first_s + nodes.between_s) * first_.per_f;
    const double j22 = -(nodes.second_s + nodes.between_s) * second_.per_f;
    const double k = nodes.between_s * first_.per_root_f * second_.per_root_f;
    const double half = 0.5 * (j11 - j22);
    const double mean = 0.5 * (j11 + j22);
    const double root = std::sqrt(half * half + k * k);
    // The determinant without the digits that a stiff coupling would cancel; from it the slower rate.
    const double det = (nodes.first_s * nodes.second_s + nodes.between_s * (nodes.first_s + nodes.second_s)) *
                       first_.per_f * second_.per_f;
    if (mean > 0.0) {
      rate_[0] = mean + root;
      rate_[1] = det / rate_[0];
    } else {
      rate_[1] = mean - root;
      rate_[0] = rate_[1] < 0.0 ? det / rate_[1] : mean + root;
    }
    double x = half > 0.0 ? half + root : k;
    double y = half > 0.0 ? k : root - half;
    const double length = std::sqrt(x * x + y * y);
    cosine_ = length > 0.0 ? x / length : 1.0;
    sine_ = length > 0.0 ? y / length : 0.0;
    start_ = to_modes(start_per_s);
    drift_ = to_modes(drift_per_s2);
  }

  /// Per second, the slower one first; below zero unless a node's conductance is.
  [[nodiscard]] const Pair& rate_per_s() const { return rate_; }

  /// How far mode m alone would carry each node in the end, from its present speed.
  [[nodiscard]] Pair reach_v(std::size_t m) const {
    const double far = start_[m] / rate_[m];
    return m == 0 ? Pair{std::abs(cosine_ * far * first_.per_root_f), std::abs(sine_ * far * second_.per_root_f)}
                  : Pair{std::abs(sine_ * far * first_.per_root_f), std::abs(cosine_ * far * second_.per_root_f)};
  }

  /// What acts on the modes over a step: their rates, and the forces on them, times h.
  struct Forces {
    Pair z{}, r0{}, r1{}, r2{}, r3{};
  };
  /// One length of step: what the modes do over it, first without, then with a curvature d.
  struct Step : Forces {
    std::array<Phi<8>, 2> phi;
    Pair end{}, mean{};  // of the modes
  };
  [[nodiscard]] Step over(double h_s) const {
    Step s{
        {{h_s * rate_[0], h_s * rate_[1]}, {}, {}, {}, {}}, {Phi<8>{h_s * rate_[0]}, Phi<8>{h_s * rate_[1]}}, {}, {}};
    for (std::size_t m = 0; m < 2; ++m) {
      const Phi<8>& p = s.phi[m];
      s.r0[m] = h_s * start_[m];
      s.r1[m] = h_s * h_s * drift_[m];
      s.end[m] = p[1] * s.r0[m] + p[2] * s.r1[m];
      s.mean[m] = p[2] * s.r0[m] + p[3] * s.r1[m];
    }
    return s;
  }
  /// By how much each moves the ends of the nodes.
  struct Bent {
    Pair by_bend, by_twist;
  };
  /// Adds the curvature d and the twist e.
  Bent bend(Step& s, double h_s, const Pair& d_per_s, const Pair& e_per_s) const {
    const Pair d = to_modes(d_per_s);
    const Pair e = to_modes(e_per_s);
    Pair by_bend{};
    Pair by_twist{};
    for (std::size_t m = 0; m < 2; ++m) {
      const Phi<8>& p = s.phi[m];
      s.r2[m] = h_s * d[m];
      s.r3[m] = h_s * e[m];
      by_bend[m] = 2.0 * p[3] * s.r2[m];
      by_twist[m] = 6.0 * p[4] * s.r3[m];
      s.end[m] += by_bend[m] + by_twist[m];
      s.mean[m] += 2.0 * p[4] * s.r2[m] + 6.0 * p[5] * s.r3[m];
    }
    return {to_nodes(by_bend), to_nodes(by_twist)};
  }
  /// The first part of a step, by its share of the whole; of that, all but the mean.
  [[nodiscard]] static Step part(const Forces& whole, double share) {
    Step s{{}, {Phi<8>{share * whole.z[0]}, Phi<8>{share * whole.z[1]}}, {}, {}};
    const double squared = share * share;
    for (std::size_t m = 0; m < 2; ++m) {
      const Phi<8>& p = s.phi[m];
      s.z[m] = share * whole.z[m];
      s.r0[m] = share * whole.r0[m];
      s.r1[m] = squared * whole.r1[m];
      s.r2[m] = squared * share * whole.r2[m];
      s.r3[m] = squared * squared * whole.r3[m];
      s.end[m] = p[1] * s.r0[m] + p[2] * s.r1[m] + 2.0 * p[3] * s.r2[m] + 6.0 * p[4] * s.r3[m];
    }
    return s;
  }
  /// Before any curvature neither node is further from its start within the step than that.
  [[nodiscard]] Pair most_v(const Step& s) const {
    const double slow = s.phi[0][1] * (std::abs(s.r0[0]) + std::abs(s.r1[0]));
    const double fast = s.phi[1][1] * (std::abs(s.r0[1]) + std::abs(s.r1[1]));
    const double of_first = std::abs(cosine_);
    const double of_second = std::abs(sine_);
    return {(of_first * slow + of_second * fast) * first_.per_root_f,
            (of_second * slow + of_first * fast) * second_.per_root_f};
  }
  /// Where the modes are at half the step, before any curvature; and what a steady force adds to that at its end.
  [[nodiscard]] Pair half_way(const Step& s) const {
    Pair half{};
    for (std::size_t m = 0; m < 2; ++m) {
      const Phi<2> p{0.5 * s.z[m]};
      half[m] = 0.5 * p[1] * s.r0[m] + 0.25 * p[2] * s.r1[m];
    }
    return to_nodes(half);
  }
  [[nodiscard]] Pair pushed(const Step& s, double h_s, const Pair& steady_per_s) const {
    const Pair d = to_modes(steady_per_s);
    return to_nodes({h_s * s.phi[0][1] * d[0], h_s * s.phi[1][1] * d[1]});
  }

  /// What follows something along the step, x' = z x + w, z times h. Close to a mode's own rate the solution is a
  /// difference over a difference: z is then kept apart from it, and the solution differs by less than kApart of
  /// itself.
  struct Follower {
    Follower() = default;
    Follower(const Step& s, double rate) : z{apart(s, rate)}, phi{z} {}
    /// Goes over to another step; little to do where both are of one length.
    void go_over(const Step& s, double rate) {
      const double own = apart(s, rate);
      if (own == z) return;
      z = own;
      phi = Phi<4>{own};
    }
    /// From rest, where x is at the end of the step for each w that runs along it.
    [[nodiscard]] Along led_by(const Step& s) const {
      const Along steady{phi[1], 0.0, 0.0, phi[2], 2.0 * phi[3], 6.0 * phi[4]};
      const auto mode = [&](std::size_t m) {
        const double forced = steady[0] * s.r0[m] + steady[3] * s.r1[m] + steady[4] * s.r2[m] + steady[5] * s.r3[m];
        return (s.end[m] - forced) / (s.z[m] - z);
      };
      return {steady[0], mode(0), mode(1), steady[3], steady[4], steady[5]};
    }
    double z{};
    Phi<4> phi{0.0};
  };
  static constexpr double kApart = 1e-5;

  [[nodiscard]] Pair to_nodes(const Pair& modes) const {
    return {(cosine_ * modes[0] - sine_ * modes[1]) * first_.per_root_f,
            (sine_ * modes[0] + cosine_ * modes[1]) * second_.per_root_f};
  }
  /// The nodes' voltages less their start, as combinations of the modes.
  [[nodiscard]] Along first_along() const {
    return {0.0, cosine_ * first_.per_root_f, -sine_ * first_.per_root_f, 0.0, 0.0, 0.0};
  }
  [[nodiscard]] Along second_along() const {
    return {0.0, sine_ * second_.per_root_f, cosine_ * second_.per_root_f, 0.0, 0.0, 0.0};
  }

 private:
  static double apart(const Step& s, double z) {
    for (const double mode : s.z) {
      if (std::abs(mode - z) < 0.5 * kApart) z = mode - kApart;
    }
    return z;
  }
  [[nodiscard]] Pair to_modes(const Pair& nodes) const {
    const double x = first_.root_f * nodes[0];
    const double y = second_.root_f * nodes[1];
    return {cosine_ * x + sine_ * y, cosine_ * y - sine_ * x};
  }

  Capacitor first_, second_;
  double cosine_{}, sine_{};
  Pair rate_{}, start_{}, drift_{};
};

}  // namespace dawnrig::plant
