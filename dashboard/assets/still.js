/* Draws what stands still on a page: elements that no callback asks for. */
(function () {
  "use strict";

  // [kind, attributes or 0, child, child, ...]; words and numbers stand for themselves.
  function drawn(node) {
    if (!Array.isArray(node)) {
      return node;
    }
    var kind = node[0] === "Link" ? window.dash_core_components.Link : node[0];
    return window.React.createElement.apply(
      null,
      [kind, node[1] || null].concat(node.slice(2).map(drawn))
    );
  }

  window.pledgewatt = {
    Still: function (props) {
      return window.React.useMemo(
        function () {
          return window.React.createElement.apply(
            null,
            [window.React.Fragment, null].concat(props.nodes.map(drawn))
          );
        },
        [props.nodes]
      );
    },
  };
})();
