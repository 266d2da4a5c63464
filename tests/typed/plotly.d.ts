// The one function of plotly.js that our pages call.

declare const Plotly: {
  react(host: HTMLElement, traces: object[], layout: object, options: object): void;
};
