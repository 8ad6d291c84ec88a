// anywidget calls the function once for each model; its views share one session and with it one sound.
import { Session } from "./session/session.js";
import { AuditionView } from "./view.js";

function audition() {
  let session = null;
  return {
    initialize({ model }) {
      session = new Session(model);
      return () => session.close();
    },
    render({ el }) {
      const view = new AuditionView(session, el);
      return () => view.close();
    },
  };
}

export default audition;
