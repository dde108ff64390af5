/* What only the browser can do: the title, the focus, and the way back to signing in. */
(function () {
  "use strict";

  // A session that has ended answers 401: show the form instead of a dead page. The server
  // leads there and decides what of the address the form's own may say.
  var send = window.fetch;
  window.fetch = function () {
    return send.apply(window, arguments).then(function (response) {
      if (response.status === 401 || response.status === 403) {
        window.location.reload();
      }
      return response;
    });
  };

  // Dash calls boxes to tick options of a list box without a name, though each holds a real
  // input; it hides from readers what the keyboard still reaches, and leaves the field of a
  // file without a name. What is left here is plain labels and inputs.
  var OPTIONS = ".dash-checklist, .dash-radioitems";
  function plain() {
    document.querySelectorAll(OPTIONS).forEach(function (list) {
      [list].concat(Array.from(list.querySelectorAll("[role=option]"))).forEach(function (node) {
        node.removeAttribute("role");
        node.removeAttribute("aria-selected");
        node.removeAttribute("aria-multiselectable");
      });
    });
    document.querySelectorAll('.dash-dropdown-focus-target[tabindex="0"]').forEach(function (node) {
      node.setAttribute("tabindex", "-1");
    });
    document.querySelectorAll("input[type=file]:not([aria-label])").forEach(function (node) {
      node.setAttribute("aria-label", "Choose a file");
    });
  }
  new MutationObserver(function () {
    plain();
    stay();
  }).observe(document.documentElement, {
    childList: true,
    subtree: true,
    attributes: true,
    attributeFilter: ["role", "aria-selected", "tabindex"],
  });

  // Who follows a link that only redraws a part of the page stays on that link.
  var followed = null;
  function words(link) {
    return link.textContent.replace(/[^\p{L}\p{N}]+/gu, " ").trim().replace(/ chosen$/, "");
  }
  ["keydown", "pointerdown"].forEach(function (kind) {
    document.addEventListener(kind, function () { followed = null; }, true);
  });
  document.addEventListener("click", function (event) {
    var link = event.target.closest && event.target.closest("#page a[href]");
    followed = link && document.activeElement === link ? words(link) : null;
  }, true);
  function stay() {
    if (followed === null || document.activeElement !== document.body) {
      return;
    }
    var same = Array.from(document.querySelectorAll("#page a[href]")).filter(function (link) {
      return words(link) === followed;
    });
    if (same.length === 1) {
      same[0].focus({ preventScroll: true });
    }
  }

  // A link inside of a page leads to its place, though pages are drawn after their address.
  function place() {
    var there = window.location.hash && document.getElementById(window.location.hash.slice(1));
    if (there) {
      there.scrollIntoView();
    }
  }
  window.addEventListener("_dashprivate_pushstate", function () {
    window.setTimeout(place, 0);
  });

  var first = true;
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.pledgewatt = {
    arrive: function (title) {
      if (!title) {
        return window.dash_clientside.no_update;
      }
      document.title = title;
      if (!first) {
        window.scrollTo(0, 0);
      }
      window.setTimeout(function (moved) {
        var head = document.querySelector("#page h1");
        if (head && moved) {
          head.focus({ preventScroll: true });
        }
        place();
      }, 0, !first);
      first = false;
      return title;
    },
  };
})();
