/* What only the browser can do: the title, the focus, and the way back to signing in. */
(function () {
  "use strict";

  // A session that has ended answers 401: show the form instead of a dead page.
  var send = window.fetch;
  window.fetch = function () {
    return send.apply(window, arguments).then(function (response) {
      if (response.status === 401 || response.status === 403) {
        var here = window.location.pathname + window.location.search;
        window.location.assign("/login?next=" + encodeURIComponent(here));
      }
      return response;
    });
  };

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
        window.setTimeout(function () {
          var head = document.querySelector("#page h1");
          if (head) {
            head.focus({ preventScroll: true });
          }
        }, 0);
      }
      first = false;
      return title;
    },
  };
})();
