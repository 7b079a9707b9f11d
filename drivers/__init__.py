"""Talk to instruments over VISA: commands in, integer codes out."""
