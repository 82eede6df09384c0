// Curves over a common abscissa as a picture that stands alone.
// Room: harness/report. May use the standard library and this room.
#pragma once

#include <string>
#include <vector>

namespace dawnrig::report {

struct XyCurve {
  std::string label;  ///< curves of one label look alike in every panel
  std::vector<double> x, y;
};

struct XyPanel {
  std::string label;  ///< of the ordinate, with its unit
  std::vector<XyCurve> curves;
};

struct XyPicture {
  std::string title;
  std::string x_label;  ///< with its unit
  std::vector<XyPanel> panels;
};

/// An SVG file's contents. A point that is no number parts its curve. Long curves are thinned to what can be seen,
/// keeping every extreme.
[[nodiscard]] std::string xy_svg(const XyPicture& picture);

}  // namespace dawnrig::report
