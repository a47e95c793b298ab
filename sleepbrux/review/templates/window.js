// A window without a token asks the other windows of this very page for it. Only they hear it: such messages never
// leave the page's own address with its port. A cookie would, since browsers send one to every port of a machine.
const siblings = (function () {
  const line = "BroadcastChannel" in self ? new BroadcastChannel("sleepbrux") : null, WAIT_MS = 300;
  let waiting = null;
  return {
    listen(held) {
      if (line) line.onmessage = (event) => {
        if (event.data === "let me in") { if (held()) line.postMessage({ token: held() }); }
        else if (waiting && event.data && typeof event.data.token === "string") waiting(event.data.token);
      };
    },
    ask() {
      return new Promise((done) => {
        if (!line) { done(""); return; }
        waiting = (token) => { waiting = null; done(token); };
        line.postMessage("let me in");
        setTimeout(() => { if (waiting) waiting(""); }, WAIT_MS);
      });
    },
  };
})();
